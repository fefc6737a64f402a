"""SQLite recordings, as python-can writes them: no bus, no CAN FD.

The rows of the table `messages` come in, batches of frames go out. A database may hold more than data: views, triggers
and functions that never end. Only the columns of that one table are read, by a connection that may do nothing else.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from livewatch.errors import SourceError
from livewatch.sources.recordings.python_can_readers import IndexedReader

if TYPE_CHECKING:
    import sqlite3

    import can

__all__ = ["DatabaseReader"]

_COLUMNS = "ts, arbitration_id, extended, remote, error, dlc, data"
_LONGEST_FIELD = 1 << 16
"""Bytes of one field."""
_BYTES_A_ROW = 30
"""About how large a row is, for the share read so far."""


class DatabaseReader(IndexedReader):
    """Reads `.db` recordings."""

    name, suffix, reader = "SQLite", ".db", ""

    @classmethod
    def recognises(cls, head: bytes) -> bool:
        """SQLite's own mark comes first."""
        return head.startswith(b"SQLite format 3\0")

    def messages(self) -> Iterator[can.Message]:
        """A message a row."""
        import sqlite3  # late: no other recording needs it
        from urllib.parse import quote

        path, head = self.stream.path, self.stream.head
        if self.stream.compressed:
            raise SourceError(f"{path}: a SQLite recording cannot be read compressed; unpack it first")
        size, page = path.stat().st_size, int.from_bytes(head[16:18], "big")
        if self.recognises(head) and size % (page if page > 1 else 65536):
            # SQLite would take what is missing of the last page for zeros, and frames of zeros for real ones.
            raise SourceError(f"{path}: this SQLite recording was cut off; it cannot be read without doubt")
        connection = sqlite3.connect(f"file:{quote(str(path.resolve()))}?mode=ro&immutable=1", uri=True)
        try:
            yield from self.counted(self._rows(connection), size // _BYTES_A_ROW)
        finally:
            connection.close()

    def _rows(self, connection: sqlite3.Connection) -> Iterator[can.Message]:
        import sqlite3

        from livewatch.data.python_can import can

        allowed = (sqlite3.SQLITE_SELECT, sqlite3.SQLITE_READ)
        connection.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, _LONGEST_FIELD)
        connection.execute("PRAGMA trusted_schema = OFF")
        kinds = connection.execute("SELECT type, sql FROM sqlite_master WHERE name = 'messages'").fetchall()
        if [kind for kind, _ in kinds] != ["table"] or "generated" in str(kinds[0][1]).lower():
            raise SourceError(f"{self.stream.path}: no SQLite recording: expected a table named messages in it")
        connection.set_authorizer(lambda action, *_: sqlite3.SQLITE_OK if action in allowed else sqlite3.SQLITE_DENY)
        for time, identifier, extended, remote, error, length, data in connection.execute(
            f"SELECT {_COLUMNS} FROM messages"
        ):
            try:
                yield can.Message(
                    timestamp=time,
                    arbitration_id=identifier,
                    is_extended_id=bool(extended),
                    is_remote_frame=bool(remote),
                    is_error_frame=bool(error),
                    dlc=length,
                    data=data,
                )
            except (ValueError, TypeError):
                self.counts["rows that are not frames"] += 1
