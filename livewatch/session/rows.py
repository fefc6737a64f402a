"""What a run received, read back from its session folder in the order it was received.

The parts of the frame log and the samples file come in; batches of frames and of samples come out, as the recorder
took them (their cutting aside). A last line that was cut off, lines that are spoilt and parts that are missing are
counted, and everything else is read.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

from livewatch.data.frames import FrameBatch
from livewatch.data.samples import SampleBatch, rows_of
from livewatch.errors import SourceError
from livewatch.session.samples import read_samples
from livewatch.sources.recordings.byte_stream import ByteStream
from livewatch.sources.recordings.candump.candump_reader import CandumpReader

__all__ = ["SessionRows"]


class SessionRows:
    """Args:
    parts: the frame log, in order.
    samples: samples.csv, None when there is none.
    index: channel names to their place in the profile.

    Attributes:
        counts: what was odd so far, by plain-worded kind.
        progress: how much of the frame log has been read, 0..1.
    """

    def __init__(self, parts: Sequence[Path], samples: Path | None, index: Mapping[str, int]) -> None:
        self.counts: Counter[str] = Counter()
        self.progress = 0.0
        self._parts = tuple(parts)
        self._samples = samples
        self._index = index

    def batches(self, size: int = 65536) -> Iterator[FrameBatch | SampleBatch]:
        """All rows, about `size` at a time."""
        waiting = self._read_samples(size)
        due, samples = next(waiting, (None, None))
        seen = 0
        for batch in self._read_frames():
            start = 0
            while due is not None and samples is not None and due <= seen + len(batch):
                stop = max(start, due - seen)
                yield from _cut(batch, start, stop, size)
                yield samples
                start = stop
                due, samples = next(waiting, (None, None))
            yield from _cut(batch, start, len(batch), size)
            seen += len(batch)
        while samples is not None:
            yield samples
            _, samples = next(waiting, (None, None))
        self.progress = 1.0

    def _read_frames(self) -> Iterator[FrameBatch]:
        total = sum(path.stat().st_size for path in self._parts) or 1
        before = 0
        for path in self._parts:
            length = path.stat().st_size
            if not length:
                continue
            reader = CandumpReader(ByteStream(path))
            try:
                for batch in reader.frames():
                    self.progress = (before + reader.stream.progress * length) / total
                    yield batch
            except SourceError:
                self.counts["parts of the frame log that cannot be read to the end"] += 1
            finally:
                self.counts.update(reader.counts)
                self.counts.update(reader.stream.counts)
                reader.stream.close()
            before += length

    def _read_samples(self, size: int) -> Iterator[tuple[int, SampleBatch]]:
        if self._samples is None:
            return
        try:
            yield from read_samples(self._samples, self._index, self.counts, size)
        except OSError:
            self.counts["samples that cannot be read to the end"] += 1


def _cut(batch: FrameBatch, start: int, stop: int, size: int) -> Iterator[FrameBatch]:
    """Rows `start..stop` (exclusive), at most `size` at a time."""
    for first in range(start, stop, size):
        yield rows_of(batch, first, min(first + size, stop))
