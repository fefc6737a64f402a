"""MF4 tables (ASAM MDF 4): decoded channels in groups, each group with its own times. Through asammdf.

A file and the profile come in, batches of samples in order of time go out. Every group is read a bounded number of
records at a time, in a process apart, and the groups are merged. A file in which a bus logger stored frames is no table
but a recording.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from livewatch.data.samples import Quality, SampleBatch, SampleColumn, rows_of
from livewatch.profile.model import Profile
from livewatch.sources.apart import Item, apart
from livewatch.sources.library_log import CountedLog
from livewatch.sources.mf4_file import contents, opened
from livewatch.sources.tables.cells import EMPTY, OTHER, Column, numbers, times
from livewatch.sources.tables.column_binding import ColumnBinding, bind_columns, count_missing

__all__ = ["Mf4Table", "samples_inside"]


class Mf4Table:
    """The decoded channels of an MF4 file.

    `used` maps channel to the name it has in the file, `unused` lists the other names there.
    """

    format = "MF4"

    def __init__(self, path: Path, profile: Profile) -> None:
        self.counts: Counter[str] = Counter()
        self.progress = 0.0
        """The share of records read so far, 0..1."""
        self._path = path
        holds = contents(path)
        bindings = bind_columns(path, holds.names, holds.units, None, profile, self.counts)
        self._start_time = holds.start_time
        self._groups: dict[int, list[tuple[int, ColumnBinding]]] = {}
        for number, binding in sorted(bindings.items()):
            group, index = holds.places[number]
            self._groups.setdefault(group, []).append((index, binding))
        self.used = {
            profile.channels[binding.channel].name: holds.names[number] for number, binding in bindings.items()
        }
        self.unused = [name for number, name in enumerate(holds.names) if number not in bindings]
        count_missing(profile, self.used, self.counts)

    def batches(self, size: int) -> Iterator[SampleBatch]:
        """Samples in order of time, about `size` rows at a time."""
        counted = Counter(self.counts)
        for header, arrays in apart(str(self._path), samples_inside, self._path, self._start_time, self._groups, size):
            self.counts.clear()
            self.counts.update(counted + Counter(header["counts"]))
            self.progress = header["share"]
            if arrays:
                time, *parts = arrays
                columns = zip(header["channels"], *(iter(parts),) * 3, strict=True)
                yield SampleBatch(time, [SampleColumn(*column) for column in columns])

    def close(self) -> None:
        """Nothing stays open between batches."""


def samples_inside(
    path: Path, start_time: int, groups: dict[int, list[tuple[int, ColumnBinding]]], size: int
) -> Iterator[Item]:
    """The samples of an MF4 file, for a process apart."""
    reader = _GroupReader(start_time, groups)
    with opened(path) as file:
        for batch in reader.batches(file, size):
            header = {"channels": [column.channel for column in batch.columns], "counts": reader.counts}
            columns = [part for column in batch.columns for part in (column.row, column.value, column.quality)]
            yield {**header, "share": reader.progress}, [batch.time, *columns]
    yield {"counts": reader.counts, "share": 1.0}, []


class _GroupReader:
    """Merges the groups of one file; runs in the process apart."""

    def __init__(self, start_time: int, groups: dict[int, list[tuple[int, ColumnBinding]]]) -> None:
        self.counts: Counter[str] = Counter()
        self._start_time, self._groups = start_time, groups
        self._read = self._total = 0

    @property
    def progress(self) -> float:
        """The share of records read so far, 0..1."""
        return self._read / self._total if self._total else 0.0

    def batches(self, file: Any, size: int) -> Iterator[SampleBatch]:
        """Samples in order of time, about `size` rows at a time."""
        self._total = sum(file.groups[group].channel_group.cycles_nr for group in self._groups)
        blocks = {group: self._blocks(file, group, max(1, size // len(self._groups))) for group in self._groups}
        heads = {group: block for group in blocks if (block := next(blocks[group], None)) is not None}
        while heads:
            # Nothing earlier than the end of the block that ends first can still come.
            horizon = min(int(block.time[-1]) for block in heads.values())
            taken: list[SampleBatch] = []
            for group, block in list(heads.items()):
                count = int(np.searchsorted(block.time, horizon, side="right"))
                taken.append(rows_of(block, 0, count))
                heads[group] = rows_of(block, count, len(block))
                if count == len(block):
                    following = next(blocks[group], None)
                    if following is None:
                        del heads[group]
                    else:
                        heads[group] = following
            yield _merged(taken)

    def _blocks(self, file: Any, group: int, size: int) -> Iterator[SampleBatch]:
        total = file.groups[group].channel_group.cycles_nr
        wanted = [(None, group, index) for index, _ in self._groups[group]]
        latest = -(2**63)
        for offset in range(0, total, size):
            try:
                with CountedLog(self.counts):
                    signals = file.select(
                        wanted, record_offset=offset, record_count=size, ignore_value2text_conversions=True
                    )
            except Exception:  # asammdf raises whatever the bytes lead it to
                self.counts["places behind which a group cannot be read"] += 1
                return
            self._read += min(size, total - offset)
            time, known = times(np.asarray(signals[0].timestamps), 1_000_000_000)
            time = time + self._start_time
            # The standard has times ascend within a group; the merge relies on it.
            ascending = np.maximum.accumulate(np.maximum(time, latest))
            if not known.all() or (time != ascending).any():
                self.counts["records whose time goes back in their group"] += int((time != ascending).sum())
            if not len(time):
                continue
            latest = int(ascending[-1])
            columns = [
                column
                for (_, binding), signal in zip(self._groups[group], signals, strict=True)
                if (column := self._samples(binding, signal)) is not None
            ]
            yield SampleBatch(ascending, columns)

    def _samples(self, binding: ColumnBinding, signal: Any) -> SampleColumn | None:
        number, state = numbers(_cells(signal.samples), words=binding.words)
        if others := int((state == OTHER).sum()):
            self.counts["cells that hold no number"] += others
        row = np.flatnonzero(state != EMPTY)
        if not len(row):
            return None
        value, quality = binding.graded(number[row], state[row])
        if signal.invalidation_bits is not None:
            quality[np.asarray(signal.invalidation_bits, np.bool_)[row]] = Quality.INVALID
        return SampleColumn(binding.channel, row, value, quality)


def _cells(samples: NDArray[Any]) -> Column:
    if samples.dtype.kind in "biuf" and samples.ndim == 1:
        return samples
    return [cell.decode("utf-8", "replace") if isinstance(cell, bytes) else str(cell) for cell in samples.tolist()]


def _merged(parts: list[SampleBatch]) -> SampleBatch:
    """One batch of several of different channels, by time."""
    if len(parts) == 1:
        return parts[0]
    time = np.concatenate([part.time for part in parts])
    order = np.argsort(time, kind="stable")
    place = np.empty_like(order)
    place[order] = np.arange(len(order))
    columns: list[SampleColumn] = []
    first = 0
    for part in parts:
        columns.extend(replace(column, row=place[column.row + first]) for column in part.columns)
        first += len(part)
    return SampleBatch(time[order], columns)
