"""MF4 tables (ASAM MDF 4): decoded channels in groups, each group with its own times. Through asammdf.

A file and the profile come in, batches of samples in order of time go out. Every group is read a bounded number of
records at a time and the groups are merged. A file in which a bus logger stored frames is no table but a recording;
`holds_frames` tells by the groups it has.
"""

from __future__ import annotations

import gc
import sys
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from livewatch.data.clock import nanoseconds_of
from livewatch.data.samples import Quality, SampleBatch, SampleColumn, rows_of
from livewatch.errors import SourceError, said_by
from livewatch.profile.model import Profile
from livewatch.sources.recordings.library_log import CountedLog
from livewatch.sources.tables.cells import EMPTY, OTHER, Column, numbers, times
from livewatch.sources.tables.column_binding import ColumnBinding, bind_columns, count_missing

__all__ = ["Mf4Table", "group_sizes", "holds_frames"]

_BUS_EVENT = 0x2
"""Flag of a channel group whose records are frames of a bus (ASAM MDF 4, `cg_flags`)."""
_MASTERS = (2, 3)
"""Channel types that are a group's time (ASAM MDF 4, `cn_type`)."""


def group_sizes(path: Path, content: BinaryIO | None = None) -> tuple[list[int], list[int]]:
    """Records in each group of frames, and in each group of decoded channels, of the MF4 file at `path` (or of its
    unpacked `content`).

    Raises:
        SourceError: it cannot be read, or asammdf is not installed.
    """
    frames: list[int] = []
    channels: list[int] = []
    with CountedLog(Counter()), _opened(path, content) as file:
        for group in file.groups:
            kind = frames if group.channel_group.flags & _BUS_EVENT else channels
            kind.append(int(group.channel_group.cycles_nr))
    return frames, channels


def holds_frames(path: Path) -> bool:
    """Whether a bus logger stored frames in the MF4 file at `path`.

    Raises:
        SourceError: it cannot be read, or asammdf is not installed.
    """
    return bool(group_sizes(path)[0])


class Mf4Table:
    """The decoded channels of an MF4 file.

    `used` maps channel to the name it has in the file, `unused` lists the other names there.
    """

    format = "MF4"

    def __init__(self, path: Path, profile: Profile) -> None:
        self.counts: Counter[str] = Counter()
        self._path = path
        self._read = self._total = 0
        with CountedLog(self.counts), _opened(path) as file:
            places, names, units = _channels_of(file)
            bindings = bind_columns(path, names, units, None, profile)
            self.start_time = nanoseconds_of(file.header.start_time)
        self._groups: dict[int, list[tuple[int, ColumnBinding]]] = {}
        for number, binding in sorted(bindings.items()):
            group, index = places[number]
            self._groups.setdefault(group, []).append((index, binding))
        self.used = {profile.channels[binding.channel].name: names[number] for number, binding in bindings.items()}
        self.unused = [name for number, name in enumerate(names) if number not in bindings]
        count_missing(profile, self.used, self.counts)

    @property
    def progress(self) -> float:
        """The share of records read so far, 0..1."""
        return self._read / self._total if self._total else 0.0

    def batches(self, size: int) -> Iterator[SampleBatch]:
        """Samples in order of time, about `size` rows at a time."""
        with _opened(self._path) as file:
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

    def close(self) -> None:
        """Nothing stays open between batches."""

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
            time = time + self.start_time
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


def _opened(path: Path, content: BinaryIO | None = None) -> Any:
    try:
        import asammdf
    except ImportError:
        raise SourceError(f'{path}: reading MF4 needs the package asammdf: pip install "livewatch[tables]"') from None
    reason = ""
    complain = sys.unraisablehook
    try:
        # An asammdf object that failed to open also fails to close, which Python would print behind our back.
        sys.unraisablehook = lambda _: None
        try:
            name: Any = path if content is None else content
            return asammdf.MDF(name)
        except Exception as error:  # asammdf raises whatever the bytes lead it to
            reason = said_by(error)
        gc.collect()
    finally:
        sys.unraisablehook = complain
    raise SourceError(f"{path}: this is no whole MF4 file: {reason}")


def _channels_of(file: Any) -> tuple[list[tuple[int, int]], list[str], list[str | None]]:
    """Place (group, index), name and unit of every channel that is no time and no frame of a bus."""
    places: list[tuple[int, int]] = []
    names: list[str] = []
    units: list[str | None] = []
    for number, group in enumerate(file.groups):
        if group.channel_group.flags & _BUS_EVENT:
            continue
        for index, channel in enumerate(group.channels):
            if channel.channel_type not in _MASTERS:
                places.append((number, index))
                names.append(str(channel.name))
                units.append(channel.unit or (channel.conversion.unit if channel.conversion else None) or None)
    return places, names, units


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
