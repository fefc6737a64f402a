"""Frames and samples to their files.

Batches come in, in order; lines are in `frames-NNNN.log` and `samples.csv` when a call returns, or the call raises and
nothing of that batch is there. The frame log goes on in a new part when one is large, so that none becomes unwieldy and
old ones can be copied away while the run goes on. Rows stop short of filling the disk: events need some of it.
"""

from __future__ import annotations

import errno
import os
import shutil
from collections import Counter
from collections.abc import Sequence

from livewatch.data.frames import FrameBatch
from livewatch.data.samples import SampleBatch
from livewatch.session.folder import SAMPLES, Session, frame_part
from livewatch.session.line_file import LineFile, sync_folder
from livewatch.session.samples import HEADER, format_samples

__all__ = ["RowWriter"]

SMALL_DISK = 20
"""On a disk smaller than 20 times what is to be kept free, a twentieth of it is kept free instead."""
ENOUGH_AGAIN = 1.25
"""Times what is to be kept free at which rows are written again after they were not."""


class RowWriter:
    """Args:
    folder: where to write.
    names: channels of the profile, in its order.
    part_bytes: size at which the frame log goes on in a new part.
    keep_free: bytes of disk not to be used for rows.

    `free` is the space on the disk in bytes, None when it cannot be told.
    """

    def __init__(self, folder: Session, names: Sequence[str], part_bytes: int, keep_free: int) -> None:
        self.free: int | None = None
        self.counts: Counter[str] = Counter()
        self._folder = folder
        self._names = tuple(names)
        self._part_bytes = part_bytes
        self._keep_free = keep_free
        self._part = 0
        self._frames: LineFile | None = None
        self._samples: LineFile | None = None
        self._written = 0
        self._full = False

    def write(self, batch: FrameBatch | SampleBatch) -> None:
        """Append one batch.

        Raises:
            OSError: nothing of it was written.
        """
        if isinstance(batch, FrameBatch) or not batch.silence:
            # What is kept free is for what tells of losses, as it is for events.
            self.measure_free()
        if isinstance(batch, FrameBatch):
            from livewatch.sources.recordings.candump.line_writer import format_candump  # late: brings numpy

            self._frame_file().write(format_candump(batch))
            self._written += len(batch)
        else:
            self._sample_file().write(format_samples(batch, self._names, self._written))

    def sync(self) -> None:
        """Return once everything written is on the disk itself.

        Raises:
            OSError: the disk did not take it.
        """
        for file in (self._frames, self._samples):
            if file is not None:
                file.sync()

    def measure_free(self) -> None:
        """Look at the free space.

        Raises:
            OSError: there is too little (ENOSPC), or the folder is gone.
        """
        try:
            usage = shutil.disk_usage(self._folder.path)
        except FileNotFoundError:
            # Made again by the next file that is opened; the disk is that of its parent.
            usage = shutil.disk_usage(self._folder.path.parent)
        self.free = usage.free
        kept = min(self._keep_free, usage.total / SMALL_DISK)
        self._full = usage.free < kept * (ENOUGH_AGAIN if self._full else 1.0)
        if self._full:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    def close(self) -> None:
        """Close the files; what was written stays."""
        for file in (self._frames, self._samples):
            if file is not None:
                file.close()
        self._frames = self._samples = None

    def _frame_file(self) -> LineFile:
        file = self._still_there(self._frames)
        if file is not None and file.size >= self._part_bytes:
            file.sync()
            file.close()
            file = None
        if file is None:
            self._frames = None
            file = LineFile(self._folder.path / frame_part(self._part + 1))
            self._part += 1
            sync_folder(self._folder.path)
        self._frames = file
        return file

    def _sample_file(self) -> LineFile:
        file = self._still_there(self._samples)
        if file is None:
            self._samples = None
            file = LineFile(self._folder.path / SAMPLES)
            if not file.size:
                file.write(HEADER)
            sync_folder(self._folder.path)
        self._samples = file
        return file

    def _still_there(self, file: LineFile | None) -> LineFile | None:
        """The file, or None when there is none in the folder any more; the folder is made again then."""
        if file is None or not file.deleted:
            return file
        file.close()
        if file is self._frames:
            self._frames = None
        else:
            self._samples = None
        self.counts["files removed while they were recorded"] += 1
        self._folder.restore()
        if not self._folder.frame_parts():
            self._written = 0
        return None
