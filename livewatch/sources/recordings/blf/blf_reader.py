"""BLF recordings, read by a vectorised reader of our own.

The bytes of a recording come in, batches of frames go out. The file is a header and a row of containers, each with
some 128 KiB of objects, compressed or not; objects run on from one container to the next. A file that was cut, or
never closed, is read as far as it goes, the beginning of its last container included. A damaged container is left out
and counted, garbage between two is read over; the objects that ran into the hole are left out too, so that no frame
is put together from pieces of two.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator, Sequence
from datetime import datetime

from livewatch.data.clock import nanoseconds_of
from livewatch.data.frames import FrameBatch
from livewatch.sources.recordings.blf.header import HEADER, MARK
from livewatch.sources.recordings.byte_stream import ByteStream
from livewatch.sources.recordings.format_reader import FormatReader
from livewatch.sources.recordings.inflate import DAMAGED, ZLIB, inflater

__all__ = ["BlfReader"]

_FILE_HEADER = struct.Struct("<4sL8xQQLL8H8H")
_FILE_MARK = b"LOGG"
_LARGEST_FILE_HEADER = 1 << 16
_CONTAINER = 10
_CONTAINER_HEADER = struct.Struct("<H6xL4x")
_PLAIN, _DEFLATED = 0, 2
_CONTAINER_START = HEADER.size + _CONTAINER_HEADER.size
_LARGEST_CONTAINER, _LARGEST_OBJECT = 1 << 26, 1 << 24
_GAP = 8
"""Padding is shorter than this."""
_PIECE = 1 << 18
_CHUNK = 1 << 19
"""Bytes of objects parsed at once."""


class BlfReader(FormatReader):
    """Reads `.blf` recordings."""

    name = "BLF"
    suffix = ".blf"

    def __init__(self, stream: ByteStream) -> None:
        super().__init__(stream)
        self._pending = b""
        if self._fill(_FILE_HEADER.size) and self._pending.startswith(_FILE_MARK):
            header = _FILE_HEADER.unpack_from(self._pending)
            self.start_time = _nanoseconds(header[6:14])
            size = min(max(header[1], _FILE_HEADER.size), _LARGEST_FILE_HEADER)
            self._fill(size)
            self._pending = self._pending[size:]

    @classmethod
    def recognises(cls, head: bytes) -> bool:
        """Its mark comes first."""
        return head.startswith(_FILE_MARK)

    def frames(self) -> Iterator[FrameBatch]:
        """All frames in order, about 10,000 a batch."""
        from livewatch.sources.recordings.blf.objects import parse_objects  # late: brings numpy

        gathered: list[bytes] = []
        for content in self._contents():
            if content:
                gathered.append(content)
                if sum(map(len, gathered)) < _CHUNK:
                    continue
            batches, rest = parse_objects(b"".join(gathered), self.start_time or 0, self.counts)
            yield from batches
            if not content and len(rest) >= _GAP:
                self.counts["bytes of garbage skipped"] += len(rest)
            gathered = [rest] if content else []
        batches, rest = parse_objects(b"".join(gathered), self.start_time or 0, self.counts)
        yield from batches
        if len(rest) >= _GAP:
            self.counts["last object cut off"] += 1

    def _contents(self) -> Iterator[bytes]:
        """Stretches of objects; an empty one where objects before and behind do not join."""
        while self._fill(HEADER.size):
            mark = self._pending.find(MARK)
            if mark != 0:
                skipped = mark if mark > 0 else len(self._pending) - len(MARK) + 1
                self._pending = self._pending[skipped:]
                if skipped >= _GAP:
                    self.counts["bytes of garbage skipped"] += skipped
                    yield b""
                continue
            _, _, _, size, kind = HEADER.unpack_from(self._pending)
            if kind == _CONTAINER and _CONTAINER_START <= size <= _LARGEST_CONTAINER:
                yield from self._container(size)
            elif kind != _CONTAINER and HEADER.size <= size <= _LARGEST_OBJECT and self._fill(size):
                # Some programs write objects outside of any container.
                yield self._take(size)
            else:
                self.counts["bytes of garbage skipped"] += len(self._take(len(MARK)))
                yield b""

    def _container(self, size: int) -> Iterator[bytes]:
        if not self._fill(size):
            self.counts["last block cut off"] += 1
        block = self._take(size)
        if len(block) < _CONTAINER_START:
            return
        method, _ = _CONTAINER_HEADER.unpack_from(block, HEADER.size)
        body = block[_CONTAINER_START:]
        if method == _PLAIN:
            yield body
            return
        stream = inflater(ZLIB)
        try:
            content = stream.decompress(body, _LARGEST_CONTAINER) if method == _DEFLATED else b""
        except DAMAGED:
            content = b""
        if stream.eof or len(block) < size:
            yield content
        else:
            # Without the checksum at its end there is no telling where it went wrong.
            self.counts["damaged blocks left out"] += 1
            if self._fill(HEADER.size) and self._pending.find(MARK, 0, _GAP + len(MARK)) < 0:
                # Perhaps it is the size that is wrong: look for the next block within this one.
                self._pending = body + self._pending
            yield b""

    def _fill(self, size: int) -> bool:
        """Have `size` bytes pending, or all there are; whether there were enough."""
        if len(self._pending) < size:
            self._pending += self.stream.read_exactly(max(size - len(self._pending), _PIECE))
        return len(self._pending) >= size

    def _take(self, size: int) -> bytes:
        taken, self._pending = self._pending[:size], self._pending[size:]
        return taken


def _nanoseconds(moment: Sequence[int]) -> int:
    """Since the Unix epoch: year, month, day of the week, day, hour, minute, second, millisecond; 0 when they are no
    date. The file does not say in which zone; taken as UTC, as python-can does."""
    year, month, _, day, hour, minute, second, millisecond = moment
    try:
        return nanoseconds_of(datetime(year, month, day, hour, minute, second)) + millisecond * 1_000_000
    except ValueError:
        return 0
