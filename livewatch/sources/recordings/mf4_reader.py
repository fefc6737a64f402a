"""MF4 recordings (ASAM MDF 4): frames as a bus logger stores them, through asammdf, in a process apart.

The content of a recording comes in, batches of frames go out. The library prints and can crash on damaged files: what
it does there stays there.
"""

from __future__ import annotations

import io
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from livewatch.data.frames import FrameBatch
from livewatch.errors import SourceError
from livewatch.sources.recordings.byte_stream import ByteStream
from livewatch.sources.recordings.format_reader import FormatReader
from livewatch.sources.recordings.python_can_readers import IndexedReader

if TYPE_CHECKING:
    import can

    from livewatch.sources.apart import Item

__all__ = ["Mf4Reader", "frames_inside"]

LARGEST_UNPACKED = 1 << 28
"""Bytes of a compressed file, unpacked: all of it has to be in memory."""


class Mf4Reader(FormatReader):
    """Reads `.mf4` recordings. Needs asammdf."""

    name, suffix = "MF4", ".mf4"
    _share = 0.0

    @property
    def progress(self) -> float:
        """The share of frames read so far, 0..1."""
        return self._share

    @classmethod
    def recognises(cls, head: bytes) -> bool:
        """MDF's own mark, version 4, comes first."""
        return head.startswith((b"MDF     4", b"UnFinMF 4"))

    def frames(self) -> Iterator[FrameBatch]:
        """All frames by time, at most 1024 a batch."""
        from livewatch.sources.apart import apart  # late, as below: no other recording needs a process apart
        from livewatch.sources.mf4_file import need_library

        path = self.stream.path
        need_library(path)
        for header, arrays in apart(str(path), frames_inside, path):
            self.counts.clear()
            self.counts.update(header["counts"])
            self._share = header["share"]
            if arrays:
                time, bus, identifier, flags, length, data = arrays
                yield FrameBatch(time, bus, identifier, flags, length, data, tuple(header["buses"]))


class _LibraryReader(IndexedReader):
    """What runs in the process apart."""

    name, suffix, reader = "MF4", ".mf4", "MF4Reader"

    @classmethod
    def recognises(cls, head: bytes) -> bool:
        """Never asked."""
        return False

    def messages(self) -> Iterator[can.Message]:
        """The messages of all groups, by time."""
        from livewatch.sources.mf4_file import group_sizes

        path = self.stream.path
        # A path is read piece by piece; compressed content has to be unpacked into memory.
        content = None
        if self.stream.compressed:
            content = io.BytesIO(self.stream.read_exactly(LARGEST_UNPACKED + 1))
            if len(content.getbuffer()) > LARGEST_UNPACKED:
                raise SourceError(f"{path}: unpacked it has more than {LARGEST_UNPACKED >> 20} MiB; unpack it first")
        frames, channels = group_sizes(path, content)
        if not frames:
            raise SourceError(f"{path}: this holds decoded channels: it is a table, not a recording")
        if others := sum(map(bool, channels)):
            self.counts["groups of decoded channels, left out because there are frames"] += others
        if content is not None:
            content.seek(0)
        with self.open_reader(content or str(path)) as reader:
            yield from self.counted(reader, sum(frames))


def frames_inside(path: Path) -> Iterator[Item]:
    """The frames of an MF4 file, for a process apart."""
    with ByteStream(path) as stream:
        reader = _LibraryReader(stream)
        for batch in reader.frames():
            header = {"buses": batch.buses, "counts": _counts(reader, stream), "share": reader.progress}
            yield header, [batch.time, batch.bus, batch.identifier, batch.flags, batch.length, batch.data]
        yield {"counts": _counts(reader, stream), "share": 1.0}, []


def _counts(reader: FormatReader, stream: ByteStream) -> Counter[str]:
    return reader.counts + stream.counts
