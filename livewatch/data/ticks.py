"""Ticks: all channels on one fixed grid of data time.

A `TickBatch` is a run of consecutive ticks. Tick k stands at data time k * period; data time counts from the first
frame. It carries every channel of the profile, bound and computed alike. This is what formulas, alarms, the
signature, pulls and the screen see; none of them sees frames.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

__all__ = ["Ages", "Held", "Span", "TickBatch"]


Span = tuple[float, float]
"""The lowest and the highest of some values, or what no value is below and above."""


class Ages(Protocol):
    """float32 (c, n), indexed by channel, or by channel and tick, as an array is; perhaps worked out only then."""

    def __getitem__(self, where: Any, /) -> Any: ...


class Held:
    """What every channel holds, float64 (c, n), read by channel and tick as an array is: `value`, but for the rows kept
    beside it from before some of it was made unknown."""

    def __init__(self, value: NDArray[np.float64]) -> None:
        self._value = value
        self._beside: dict[int, NDArray[np.float64]] = {}

    def keep(self, row: int) -> None:
        """Ticks of this channel are about to be made unknown in `value`."""
        self._beside[row] = self._value[row].copy()

    def __getitem__(self, where: tuple[Any, Any]) -> Any:
        row, ticks = where
        if isinstance(row, int | np.integer):
            beside = self._beside.get(int(row))
            return self._value[row, ticks] if beside is None else beside[ticks]
        found = self._value.copy()
        for row, column in self._beside.items():
            found[row] = column
        return found[where]


@dataclass(frozen=True, slots=True, eq=False)
class TickBatch:
    """n consecutive ticks of c channels.

    Attributes:
        first: index of the first tick (tick k is at data time k * period).
        period: nanoseconds between ticks.
        index: channel name to row, the order of `Profile.channels`.
        value: float64 (c, n), in the channel's unit; NaN wherever `quality` is not GOOD. Never judge anything else.
        quality: uint8 (c, n), a `samples.Quality`.
        age: seconds since the sample held here was received; NaN when never seen, 0 for formulas.
        held: float64 (c, n), the last value received whatever its quality or age, NaN when never seen: for showing
            greyed with its age, never for judging.
        utc: int64 (n,), the recording's own clock at each tick, nanoseconds since the Unix epoch.
        spans: of channels that are known throughout, by row: no value is outside of it. Nothing is said of the others.
    """

    first: int
    period: int
    index: Mapping[str, int]
    value: NDArray[np.float64]
    quality: NDArray[np.uint8]
    age: Ages
    held: NDArray[np.float64] | Held
    utc: NDArray[np.int64]
    spans: Mapping[int, Span] = field(default_factory=dict)

    def __len__(self) -> int:
        return int(self.value.shape[1])

    @property
    def time(self) -> NDArray[np.int64]:
        """int64 (n,), data time of each tick in nanoseconds since the first frame."""
        return (self.first + np.arange(len(self), dtype=np.int64)) * self.period

    def __getitem__(self, where: slice) -> TickBatch:
        start, stop, step = where.indices(len(self))
        if step != 1:
            raise ValueError("ticks are consecutive: a step other than 1 makes no sense")
        return TickBatch(
            self.first + start,
            self.period,
            self.index,
            self.value[:, start:stop],
            self.quality[:, start:stop],
            self.age[:, start:stop],
            self.held[:, start:stop],
            self.utc[start:stop],
        )

    def column(self, name: str) -> NDArray[np.float64]:
        """float64 (n,) of the channel `name`, NaN where not good; all NaN when the profile has no such channel."""
        row = self.index.get(name)
        return np.full(len(self), np.nan) if row is None else self.value[row]
