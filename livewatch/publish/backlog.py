"""Events that wait on the disk to be delivered: the event log of a session, and how far it was.

A session folder goes in; lines of its event log come out in order, each with its number, from the first one that no
broker has confirmed. How far that is stands in `published.json` beside the log, so that a livewatch that was killed, or
a laptop that was closed, carries on where it stopped. A line may be sent twice, never left out: readers look at its
number.
"""

from __future__ import annotations

import contextlib
import json
import os
import re
from pathlib import Path

from livewatch.data.outside import LONGEST_LINE, open_file, read_file, read_json
from livewatch.session.folder import EVENTS
from livewatch.session.running import is_being_written

__all__ = ["Backlog", "sessions_in"]

CURSOR = "published.json"
CURSOR_FORMAT = 1
MOST_SESSIONS = 20
"""Sessions of a folder that are looked after."""
PIECE = 262_144
"""Bytes read of a log at once, or one line."""
_NUMBER = re.compile(rb'\{"v":\d{1,6},"seq":(\d{1,15}),')


class Backlog:
    """Args:
    folder: of the session.
    to: broker and station, as `published.json` names them.
    """

    def __init__(self, folder: Path, to: str) -> None:
        self.session = folder.name
        self.next = 0
        """Number of the first event that is not confirmed."""
        self.turns = 0
        """How often it was told to begin again: what was read before is not to be confirmed."""
        self._folder, self._to = folder, to
        self._offset = 0
        self._kept = -1
        known = _read_cursor(folder)
        if known is not None and known[0] == to:
            self.next = known[1]

    def read(self) -> list[tuple[int, bytes]]:
        """Some of the next lines with their numbers; empty when there are none.

        Raises:
            OSError: the log cannot be read.
        """
        lines: list[tuple[int, bytes]] = []
        turn, offset, size = self.turns, self._offset, 0
        with open_file(self._folder / EVENTS) as file:
            if offset > os.fstat(file.fileno()).st_size:
                offset = 0  # The folder was removed, and made again.
            file.seek(offset)
            while size < PIECE and (line := file.readline(LONGEST_LINE)):
                if not line.endswith(b"\n") and len(line) < LONGEST_LINE:
                    break  # It is being written.
                offset += len(line)
                number = _NUMBER.match(line)
                if number is not None and int(number[1]) >= self.next and line.endswith(b"\n"):
                    lines.append((int(number[1]), line.rstrip(b"\r\n")))
                    size += len(line)
        if turn == self.turns:
            self._offset = offset
        return lines

    def total(self) -> int:
        """The number that the next event would have; 0 when the log cannot be read."""
        with contextlib.suppress(OSError), open_file(self._folder / EVENTS) as file:
            size = os.fstat(file.fileno()).st_size
            file.seek(max(0, size - 2 * LONGEST_LINE))
            lines = file.read().split(b"\n")[:-1]
            for line in reversed(lines):
                if number := _NUMBER.match(line):
                    return int(number[1]) + 1
        return 0

    def confirm(self, number: int) -> None:
        """All lines before `number` are delivered."""
        self.next = max(self.next, number)

    def rewind(self, number: int) -> None:
        """Begin again at event `number`, or at what is not confirmed yet if that comes before."""
        self.next = min(self.next, number)
        self.start_over()

    def start_over(self) -> None:
        """The link was lost: what was read and not confirmed is read again."""
        self.turns += 1
        self._offset = 0

    def keep(self) -> None:
        """Write how far it is, if it went on.

        Raises:
            OSError: it cannot be written; more is sent twice then.
        """
        if self.next == self._kept:
            return
        record = {"v": CURSOR_FORMAT, "to": self._to, "events": self.next}
        part = self._folder / f"{CURSOR}.new"
        part.write_text(json.dumps(record) + "\n", encoding="utf-8")
        part.replace(self._folder / CURSOR)
        self._kept = self.next


def sessions_in(parent: Path, to: str, but: str = "") -> list[Backlog]:
    """The latest sessions in `parent` that are or were delivered `to` a broker and station, oldest first, of those that
    nobody writes any more; the one named `but` left out."""
    found: list[Backlog] = []
    with contextlib.suppress(OSError):
        cursors = sorted(parent.glob(f"*/{CURSOR}"), key=lambda path: (path.stat().st_mtime_ns, path))
        for cursor in cursors[-MOST_SESSIONS:]:
            folder = cursor.parent
            known = _read_cursor(folder)
            if folder.name != but and known is not None and known[0] == to and not is_being_written(folder / EVENTS):
                found.append(Backlog(folder, to))
    return found


def _read_cursor(folder: Path) -> tuple[str, int] | None:
    """Where to, and the number of the first event that is not delivered."""
    try:
        record = read_json(read_file(folder / CURSOR, 10_000))
        number = record["events"]
        if record["v"] == CURSOR_FORMAT and type(number) is int and number >= 0:
            return str(record["to"]), number
    except (OSError, ValueError, KeyError, TypeError):
        pass
    return None
