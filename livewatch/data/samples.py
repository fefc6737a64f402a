"""Samples: values of channels at the moments they were received.

The decoder makes them from frames; tables and MQTT bring them ready-made. Values are already in the channel's own
unit. A `SampleBatch` keeps the arrival times of all rows (frames or table rows, with a sample or without) once, and
each column points into them, so that the pipeline can put one clock over everything.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import IntEnum
from typing import TYPE_CHECKING, overload

from livewatch.data.events import Event
from livewatch.data.frames import FrameBatch
from livewatch.data.late_numpy import np

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["OddRows", "Quality", "Rows", "SampleBatch", "SampleColumn", "rows_of"]


class Quality(IntEnum):
    """What a value is worth; kept with every value (after the idea of OPC UA status codes)."""

    GOOD = 0
    STALE = 1
    OUT_OF_RANGE = 2
    INVALID = 3
    NEVER_SEEN = 4

    @property
    def word(self) -> str:
        """As people read it: `good`, `out of range`, ..."""
        return self.name.lower().replace("_", " ")


@dataclass(frozen=True, slots=True, eq=False)
class SampleColumn:
    """The samples of one channel in a batch, in order of arrival.

    Attributes:
        channel: index of the channel in `Profile.channels`.
        row: int64 (k,), ascending; index into `SampleBatch.time`.
        value: float64 (k,), in the channel's unit.
        quality: uint8 (k,), a `Quality`: GOOD, OUT_OF_RANGE or INVALID.
    """

    channel: int
    row: NDArray[np.int64]
    value: NDArray[np.float64]
    quality: NDArray[np.uint8]


@dataclass(frozen=True, slots=True, eq=False)
class SampleBatch:
    """Samples of any channels over one run of rows.

    Attributes:
        time: int64 (n,), source time of every row in nanoseconds since the Unix epoch; may go backwards.
        columns: at most one column a channel.
        counts: what was odd while making the batch, by plain-worded kind (`frames shorter than their signal`, ...).
        odd: of those kinds that belong to rows the rows, ascending, int64; the others belong to row 0.
        told: (row, event) of what a car said of itself in these rows, in order; the events have no time yet.
        silence: whether the rows came from no source at all: a live run listened for frames and time passed, or
            something was lost (`counts`). They are recorded like any others, so that a replay knows as much.
    """

    time: NDArray[np.int64]
    columns: Sequence[SampleColumn]
    counts: dict[str, int] = field(default_factory=dict)
    silence: bool = False
    told: Sequence[tuple[int, Event]] = ()
    odd: Mapping[str, NDArray[np.int64]] = field(default_factory=dict)

    def __len__(self) -> int:
        return len(self.time)

    def counts_in(self, start: int, stop: int) -> dict[str, int]:
        """What of `counts` belongs to rows `start..stop` (exclusive)."""
        found = {kind: int(np.diff(rows.searchsorted((start, stop)))[0]) for kind, rows in self.odd.items()}
        return found if start else {**self.counts, **found}


class OddRows:
    """Collects `SampleBatch.odd` while a batch is made."""

    def __init__(self) -> None:
        self._found: dict[str, list[NDArray[np.int64]]] = {}

    def add(self, kind: str, rows: NDArray[np.int64]) -> None:
        """It was met in each of these rows."""
        if len(rows):
            self._found.setdefault(kind, []).append(rows)

    def by_kind(self) -> dict[str, NDArray[np.int64]]:
        """The rows of each kind, ascending; a row may be there more than once."""
        return {
            kind: parts[0] if len(parts) == 1 else np.sort(np.concatenate(parts)) for kind, parts in self._found.items()
        }


Rows = FrameBatch | SampleBatch
"""Rows of a source, whatever it brings."""


@overload
def rows_of(batch: FrameBatch, start: int, stop: int) -> FrameBatch: ...
@overload
def rows_of(batch: SampleBatch, start: int, stop: int) -> SampleBatch: ...
@overload
def rows_of(batch: Rows, start: int, stop: int) -> Rows: ...


def rows_of(batch: Rows, start: int, stop: int) -> Rows:
    """Rows `start..stop` (exclusive) of a batch of frames or samples. What was odd of no row goes with row 0."""
    if start == 0 and stop == len(batch):
        return batch
    if isinstance(batch, FrameBatch):
        return batch[start:stop]
    columns: list[SampleColumn] = []
    for column in batch.columns:
        low, high = np.searchsorted(column.row, (start, stop))
        if high > low:
            rows = slice(int(low), int(high))
            part = replace(column, row=column.row[rows] - start, value=column.value[rows], quality=column.quality[rows])
            columns.append(part)
    odd = {kind: rows[slice(*rows.searchsorted((start, stop)))] - start for kind, rows in batch.odd.items()}
    told = [(row - start, event) for row, event in batch.told if start <= row < stop]
    return SampleBatch(batch.time[start:stop], columns, batch.counts_in(start, stop), batch.silence, told, odd)
