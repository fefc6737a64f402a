"""A file that only ever grows by whole lines, and survives what disks do.

Bytes of whole lines go in. What was written stays readable line by line whatever happens: a write that fails half-way
(a full disk) is taken back, so that the next one begins on a line of its own; only the death of the process itself can
leave a last line cut off.
"""

from __future__ import annotations

import os
from pathlib import Path

from livewatch.session.running import hold

__all__ = ["LineFile", "sync_folder"]


class LineFile:
    """Opens `path` for appending, creating it when it is not there. `size` is its length in bytes.

    Raises:
        OSError: it cannot be opened.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        # Unbuffered: what `write` returned from is with the operating system, and outlives this process.
        self._file = path.open("ab", buffering=0)
        self.size = self._file.seek(0, os.SEEK_END)
        self._dirty = False

    def write(self, lines: bytes) -> None:
        """Append all of `lines`, or nothing.

        Raises:
            OSError: it could not be written; the file is as it was before.
        """
        rest = memoryview(lines)
        try:
            while rest:
                rest = rest[self._file.write(rest) or 0 :]
        except OSError:
            self._take_back()
            raise
        self.size += len(lines)
        self._dirty = True

    def sync(self) -> None:
        """Return once everything written is on the disk itself; at once when nothing was written since the last time.

        Raises:
            OSError: the disk did not take it.
        """
        if self._dirty:
            os.fsync(self._file.fileno())
            self._dirty = False

    def hold(self) -> None:
        """Lock it for as long as it is open: a run goes on here."""
        hold(self._file.fileno())

    @property
    def deleted(self) -> bool:
        """Whether the file was removed from its folder meanwhile: what is written to it then, nobody will find. A file
        that was closed counts as removed."""
        return self._file.closed or os.fstat(self._file.fileno()).st_nlink == 0

    def close(self) -> None:
        """Close it; what was written stays."""
        self._file.close()

    def _take_back(self) -> None:
        try:
            self._file.truncate(self.size)
        except OSError:
            # A line that cannot be taken back is at least ended, so that the next one is not spoilt as well; the
            # reader counts it.
            try:
                self._file.write(b"\n")
                self.size = self._file.seek(0, os.SEEK_END)
            except OSError:
                return


def sync_folder(path: Path) -> None:
    """Make the names of new files in a folder durable, on systems where that is a thing of its own."""
    if os.name != "posix":
        return
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
