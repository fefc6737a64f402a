"""Rows of cells to samples.

Rows as CSV and Parquet files have them come in, with the profile; batches of samples go out. A wide table has one row
for each moment and one column for each channel; a long one has one row for each value, with the columns `channel` and
`value` (and `unit`, if it likes). An empty cell is no sample. What stands in a cell and is no number makes an invalid
sample and is counted; a row whose time cannot be read is left out and counted.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from livewatch.data.samples import SampleBatch, SampleColumn
from livewatch.errors import SourceError, nearest
from livewatch.profile.model import Profile
from livewatch.sources.tables.cells import EMPTY, OTHER, Column, numbers, times
from livewatch.sources.tables.column_binding import (
    ColumnBinding,
    bind_columns,
    bind_name,
    check_times,
    count_missing,
    is_named,
    split_name,
    time_column,
    time_step,
)

__all__ = ["LongRows", "TableRows", "WideRows", "rows_to_samples"]

_NO_NUMBER = "cells that hold no number"
_NO_TIME = "rows whose time cannot be read, not used"


class TableRows(Protocol):
    """What a format of rows offers."""

    names: list[str]
    units: list[str | None]
    decimal_comma: bool
    counts: Counter[str]

    @property
    def progress(self) -> float: ...

    def chunks(self, wanted: Sequence[int], size: int) -> Iterator[list[Column]]: ...

    def close(self) -> None: ...


def rows_to_samples(path: Path, rows: TableRows, profile: Profile) -> WideRows | LongRows:
    """The table as its header describes it.

    Raises:
        SourceError: it has no time column, or no column is a channel, or a unit does not fit.
    """
    time = time_column(path, rows.names, profile)
    places = {
        name: number
        for name in ("channel", "value", "unit")
        for number, text in enumerate(rows.names)
        if number != time and is_named(text, name)
    }
    kind = LongRows if "channel" in places and "value" in places else WideRows
    return kind(path, rows, profile, time, places)


class _SampleRows:
    """Common to both layouts: the time column, and what is counted."""

    def __init__(self, path: Path, rows: TableRows, profile: Profile, time: int, places: Mapping[str, int]) -> None:
        self.counts = rows.counts
        self.used: dict[str, str] = {}
        """Channel to the column it comes from."""
        self._path, self._rows, self._profile, self._time, self._places = path, rows, profile, time, places
        unit = split_name(rows.names[time])[1] or rows.units[time]
        self._step = time_step(path, rows.names[time], unit, profile)
        self.unread_time = ""
        """What stands in the first cell of the time column that holds no time."""
        self._looked_at_time = False

    @property
    def progress(self) -> float:
        """The share read so far, 0..1."""
        return self._rows.progress

    def close(self) -> None:
        """Close the file."""
        self._rows.close()

    def _times(self, column: Column) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
        time, known = times(column, self._step, self._rows.decimal_comma)
        if not known.all():
            self.counts[_NO_TIME] += int((~known).sum())
            self.unread_time = self.unread_time or str(column[int(np.argmin(known))])
        if not self._looked_at_time:
            self._looked_at_time = True
            check_times(self._path, self._rows.names[self._time], time[known], self._step is None)
        return time[known], known

    def _count_others(self, state: NDArray[np.uint8]) -> None:
        if others := int((state == OTHER).sum()):
            self.counts[_NO_NUMBER] += others


class WideRows(_SampleRows):
    """One row a moment, one column a channel."""

    def __init__(self, path: Path, rows: TableRows, profile: Profile, time: int, places: Mapping[str, int]) -> None:
        super().__init__(path, rows, profile, time, places)
        self._bindings = bind_columns(path, rows.names, rows.units, time, profile, self.counts)
        for number, binding in self._bindings.items():
            self.used[profile.channels[binding.channel].name] = rows.names[number]
        count_missing(profile, self.used, self.counts)
        taken = {time, *self._bindings}
        self.unused = [name for number, name in enumerate(rows.names) if number not in taken]

    def batches(self, size: int) -> Iterator[SampleBatch]:
        """Samples of at most `size` rows at a time."""
        for time_cells, *columns in self._rows.chunks([self._time, *self._bindings], size):
            time, known = self._times(time_cells)
            samples: list[SampleColumn] = []
            for binding, column in zip(self._bindings.values(), columns, strict=True):
                number, state = numbers(column, self._rows.decimal_comma, binding.words)
                state = state[known]
                self._count_others(state)
                row = np.flatnonzero(state != EMPTY)
                if len(row):
                    value, quality = binding.graded(number[known][row], state[row])
                    samples.append(SampleColumn(binding.channel, row, value, quality))
            if len(time):
                yield SampleBatch(time, samples)


class LongRows(_SampleRows):
    """One row a value: time, channel, value, perhaps unit."""

    def __init__(self, path: Path, rows: TableRows, profile: Profile, time: int, places: Mapping[str, int]) -> None:
        super().__init__(path, rows, profile, time, places)
        self._bindings: dict[tuple[str, str | None], ColumnBinding | None] = {}
        self._unknown: dict[str, None] = {}
        self._misfit: SourceError | None = None

    @property
    def unused(self) -> list[str]:
        """Names met so far that are no channel of the profile."""
        return list(self._unknown)

    def batches(self, size: int) -> Iterator[SampleBatch]:
        """Samples of at most `size` rows at a time."""
        wanted = [self._time, self._places["channel"], self._places["value"]]
        if "unit" in self._places:
            wanted.append(self._places["unit"])
        for time_cells, name_cells, value_cells, *unit_cells in self._rows.chunks(wanted, size):
            time, known = self._times(time_cells)
            keep = np.flatnonzero(known)
            names = _texts(name_cells, keep)
            units = _texts(unit_cells[0], keep) if unit_cells else [None] * len(names)
            batch = self._batch(time, names, units, _picked(value_cells, keep))
            if not self.used and len(batch):
                raise self._misfit or self._nothing_known()
            if len(batch):
                yield batch

    def _nothing_known(self) -> SourceError:
        channels = [channel.name for channel in self._profile.channels if channel.formula is None]
        found = ", ".join(f"{name!r}{nearest(name, channels)}" for name in self.unused[:20])
        return SourceError(f"{self._path}: no row is of a channel of the profile; found {found or 'none'}")

    def _batch(
        self, time: NDArray[np.int64], names: Sequence[str | None], units: Sequence[str | None], cells: Column
    ) -> SampleBatch:
        groups: dict[tuple[str, str | None], list[int]] = {}
        for row, (name, unit) in enumerate(zip(names, units, strict=True)):
            groups.setdefault((name or "", unit or None), []).append(row)
        parts: dict[int, list[tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.uint8]]]] = {}
        for key, members in groups.items():
            binding = self._binding(*key, len(members))
            if binding is None:
                continue
            rows = np.array(members, np.int64)
            number, state = numbers(_picked(cells, rows), self._rows.decimal_comma, binding.words)
            self._count_others(state)
            held = state != EMPTY
            if held.any():
                value, quality = binding.graded(number[held], state[held])
                parts.setdefault(binding.channel, []).append((rows[held], value, quality))
        return SampleBatch(time, [_column(channel, part) for channel, part in sorted(parts.items())])

    def _binding(self, name: str, unit: str | None, rows: int) -> ColumnBinding | None:
        key = name, unit
        if key not in self._bindings:
            try:
                self._bindings[key] = bind_name(self._path, name, unit, self._profile)
                if self._bindings[key] is None:
                    self._unknown[name] = None
            except SourceError as error:
                self._bindings[key], self._misfit = None, error
        binding = self._bindings[key]
        if binding is not None:
            self.used.setdefault(self._profile.channels[binding.channel].name, name)
        elif name in self._unknown:
            self.counts["rows of no channel of the profile"] += rows
        else:
            self.counts[f"rows of {name!r} in {unit!r}, which does not fit"] += rows
        return binding


def _texts(column: Column, rows: NDArray[np.int64]) -> list[str | None]:
    return [None if cell is None else str(cell).strip() for cell in _picked(column, rows)]


def _picked(column: Column, rows: NDArray[np.int64]) -> Column:
    return column[rows] if isinstance(column, np.ndarray) else [column[row] for row in rows.tolist()]


def _column(
    channel: int, parts: list[tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.uint8]]]
) -> SampleColumn:
    """The parts of one channel, which came in different units, in the order of their rows."""
    row, value, quality = (np.concatenate(pieces) for pieces in zip(*parts, strict=True))
    order = np.argsort(row, kind="stable")
    return SampleColumn(channel, row[order], value[order], quality[order])
