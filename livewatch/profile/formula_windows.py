"""Looks back over the last ticks that come out bit for bit the same however the ticks are cut into batches.

Columns of consecutive ticks go in, columns of the same length come out; each class keeps the ticks it still needs, and
no more than its window. A window of w ticks is the current tick and the w - 1 before it; ticks before the first count
as unknown. Sums never run on from tick to tick: each tick's sum is put together from sums over 2, 4, 8, ... ticks, so
the order of the additions is fixed by w alone.

Rules for unknown ticks:

* mean, lowest, highest: of the known ticks when at least half of the window is known, otherwise unknown;
* recently: true when any tick was true; false when all were false; otherwise unknown;
* rate: unknown when either end is;
* hold: the last known value, while it is at most w ticks old.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["Delay", "Extreme", "Hold", "Mean", "Rate", "Recently"]

Column = NDArray[np.float64]
Combine = Callable[[Column, Column], Any]


class Delay:
    """Gives each value back `ticks` later; `fill` before the first."""

    def __init__(self, ticks: int, fill: float = np.nan) -> None:
        self._kept: Column = np.full(ticks, fill)

    def __call__(self, column: Column) -> Column:
        if not len(self._kept):
            return column
        joined = np.concatenate((self._kept, column))
        self._kept = joined[len(column) :].copy()
        return joined[: len(column)]


class Tree:
    """Combines the last `ticks` values by a fixed tree: S2[i] = S1[i] o S1[i-1], S4[i] = S2[i] o S2[i-2], ..., then the
    powers of two that make up `ticks`, the latest ticks first."""

    def __init__(self, ticks: int, combine: Combine, fill: float) -> None:
        self._combine = combine
        self._doublings = [Delay(1 << level, fill) for level in range(ticks.bit_length() - 1)]
        self._parts: list[Delay | None] = []
        offset = 0
        for level in range(ticks.bit_length()):
            used = bool(ticks >> level & 1)
            self._parts.append(Delay(offset, fill) if used else None)
            offset += (1 << level) if used else 0

    def __call__(self, column: Column) -> Column:
        result: Column | None = None
        power = column
        for level, part in enumerate(self._parts):
            if level:
                power = self._combine(power, self._doublings[level - 1](power))
            if part is not None:
                delayed = part(power)
                result = delayed if result is None else self._combine(result, delayed)
        assert result is not None
        return result


class Mean:
    """The mean of the known values over the window."""

    def __init__(self, ticks: int) -> None:
        self._sum = Tree(ticks, np.add, 0.0)
        self._count = Tree(ticks, np.add, 0.0)
        self._ticks = ticks

    def __call__(self, column: Column) -> Column:
        unknown = np.isnan(column)
        count = self._count((~unknown).astype(np.float64))
        total = self._sum(np.where(unknown, 0.0, column))
        mean = np.full(len(column), np.nan)
        np.divide(total, count, out=mean, where=(2.0 * count >= self._ticks) & np.isfinite(total))
        return mean


class Extreme:
    """The lowest (`np.fmin`) or highest (`np.fmax`) known value over the window."""

    def __init__(self, ticks: int, combine: Combine) -> None:
        self._extreme = Tree(ticks, combine, np.nan)
        self._count = Tree(ticks, np.add, 0.0)
        self._ticks = ticks

    def __call__(self, column: Column) -> Column:
        count = self._count((~np.isnan(column)).astype(np.float64))
        # + 0.0 because the sign of the smaller of two zeros is left open, and may depend on the place in the column
        return np.where(2.0 * count >= self._ticks, self._extreme(column) + 0.0, np.nan)


class Recently:
    """Whether a condition was true at any tick of the window."""

    def __init__(self, ticks: int) -> None:
        self._any = Tree(ticks, np.fmax, np.nan)
        self._count = Tree(ticks, np.add, 0.0)
        self._ticks = ticks

    def __call__(self, column: Column) -> Column:
        count = self._count((~np.isnan(column)).astype(np.float64))
        seen = self._any(column)
        return np.where((seen == 1.0) | (count == self._ticks), seen, np.nan)


class Rate:
    """(now - `ticks` ago) over the time between them: the column's unit per second. `period` in nanoseconds."""

    def __init__(self, ticks: int, period: int) -> None:
        self._ago = Delay(ticks)
        self._seconds = ticks * period / 1e9

    def __call__(self, column: Column) -> Column:
        rate = (column - self._ago(column)) / self._seconds
        return np.where(np.isfinite(rate), rate, np.nan)


class Hold:
    """The last known value, while it is at most `ticks` old."""

    def __init__(self, ticks: int) -> None:
        self._ticks = ticks
        self._value = np.nan
        self._age = ticks + 1

    def __call__(self, column: Column) -> Column:
        if not len(column):
            return column
        position = np.arange(len(column))
        last = np.maximum.accumulate(np.where(np.isnan(column), -1, position))
        here = last >= 0
        value = np.where(here, column[last], self._value)
        age = np.where(here, position - last, self._age + 1 + position)
        self._value, self._age = float(value[-1]), min(int(age[-1]), self._ticks + 1)
        return np.where(age <= self._ticks, value, np.nan)
