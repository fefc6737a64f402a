"""Looks back over the last ticks that come out bit for bit the same however the ticks are cut into batches.

Columns of consecutive ticks go in, columns of the same length come out; each class keeps the ticks it still needs, no
more than a few of its windows and the largest batch. A window of w ticks is the current tick and the w - 1 before it;
ticks before the first count as unknown. Sums never run on from tick to tick: each tick's sum is put together from sums
over 2, 4, 8, ... ticks, so the order of the additions is fixed by w alone. (Counts do run on: whole numbers lose
nothing.)

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

__all__ = ["Extreme", "Hold", "Mean", "Rate", "Recently"]

Column = NDArray[np.float64]
Combine = Callable[[Column, Column], Any]

SPARE = 256
"""Ticks a memory has room for beyond its window, so that small batches seldom make it move."""


class Memory:
    """The last `ticks` values of a column, `fill` before the first. After `take(column)`, `ago(k)` is the column as it
    was k ticks earlier (0 <= k <= ticks): a view, good until the next `take`."""

    def __init__(self, ticks: int, fill: float) -> None:
        self._ticks = ticks
        self._values: Column = np.full(2 * ticks + SPARE, fill)
        self._start = self._end = ticks

    def take(self, column: Column) -> None:
        n = len(column)
        start, end = self._end, self._end + n
        if end > len(self._values):
            kept = self._values[start - self._ticks : start]
            if self._ticks + n > len(self._values):
                self._values = np.concatenate((kept, np.empty(n)))
            else:
                self._values[: self._ticks] = kept.copy()
            start, end = self._ticks, self._ticks + n
        self._values[start:end] = column
        self._start, self._end = start, end

    def ago(self, ticks: int) -> Column:
        return self._values[self._start - ticks : self._end - ticks]


class Count:
    """How many of the last `ticks` values of a column of 0 and 1 are 1."""

    def __init__(self, ticks: int) -> None:
        self._ticks = ticks
        self._totals = Memory(ticks, 0.0)
        self._total = 0.0

    def __call__(self, column: NDArray[np.bool_]) -> Column:
        totals = np.cumsum(column, dtype=np.float64)
        totals += self._total
        if len(totals):
            self._total = float(totals[-1])
        self._totals.take(totals)
        count: Column = totals - self._totals.ago(self._ticks)
        return count


class Doubling:
    """Sums over 1, 2, 4, ... ticks, each from the one before: S2[i] = S1[i] + S1[i-1], S4[i] = S2[i] + S2[i-2], ...;
    likewise with any other operation. `memories[k]` holds those over 2**k ticks."""

    def __init__(self, most: int, reaches: list[int], combine: Combine, fill: float) -> None:
        self._combine = combine
        levels = most.bit_length()
        self.memories = [
            Memory(max(reaches[level], 1 << level if level + 1 < levels else 0), fill) for level in range(levels)
        ]

    def take(self, column: Column) -> None:
        """Take the next values in."""
        power = column
        for level, memory in enumerate(self.memories):
            if level:
                power = self._combine(power, self.memories[level - 1].ago(1 << level - 1))
            memory.take(power)


class Sum:
    """The sum over the last `ticks` values: over the powers of two that make up `ticks`, the smallest the latest."""

    def __init__(self, ticks: int) -> None:
        self._parts: list[tuple[int, int]] = []
        reaches = [0] * ticks.bit_length()
        offset = 0
        for level in range(ticks.bit_length()):
            if ticks >> level & 1:
                self._parts.append((level, offset))
                reaches[level] = offset
                offset += 1 << level
        self._doubling = Doubling(ticks, reaches, np.add, 0.0)

    def __call__(self, column: Column) -> Column:
        self._doubling.take(column)
        total = np.zeros(len(column))
        for level, offset in self._parts:
            total += self._doubling.memories[level].ago(offset)
        return total


class Mean:
    """The mean of the known values over the window."""

    def __init__(self, ticks: int) -> None:
        self._sum = Sum(ticks)
        self._count = Count(ticks)
        self._ticks = ticks

    def __call__(self, column: Column) -> Column:
        unknown = np.isnan(column)
        count = self._count(~unknown)
        total = self._sum(np.where(unknown, 0.0, column))
        mean = np.full(len(column), np.nan)
        np.divide(total, count, out=mean, where=(2.0 * count >= self._ticks) & np.isfinite(total))
        return mean


class Extreme:
    """The lowest (`np.fmin`) or highest (`np.fmax`) known value over the window: that of two stretches, a power of two
    ticks long, which overlap."""

    def __init__(self, ticks: int, combine: Combine) -> None:
        self._combine = combine
        self._ticks = ticks
        self._second = ticks - (1 << ticks.bit_length() - 1)
        reaches = [0] * ticks.bit_length()
        reaches[-1] = self._second
        self._doubling = Doubling(ticks, reaches, combine, np.nan)
        self._count = Count(ticks)

    def __call__(self, column: Column) -> Column:
        count = self._count(~np.isnan(column))
        self._doubling.take(column)
        longest = self._doubling.memories[-1]
        extreme = self._combine(longest.ago(0), longest.ago(self._second))
        # + 0.0 because the sign of the smaller of two zeros is left open, and may depend on the place in the column
        return np.where(2.0 * count >= self._ticks, extreme + 0.0, np.nan)


class Recently:
    """Whether a condition was true at any tick of the window."""

    def __init__(self, ticks: int) -> None:
        self._true = Count(ticks)
        self._false = Count(ticks)
        self._ticks = ticks

    def __call__(self, column: Column) -> Column:
        some = self._true(column == 1.0) > 0.0
        none = self._false(column == 0.0) == self._ticks
        return np.where(some, 1.0, np.where(none, 0.0, np.nan))


class Rate:
    """(now - `ticks` ago) over the time between them: the column's unit per second. `period` in nanoseconds."""

    def __init__(self, ticks: int, period: int) -> None:
        self._memory = Memory(ticks, np.nan)
        self._ticks = ticks
        self._seconds = ticks * period / 1e9

    def __call__(self, column: Column) -> Column:
        self._memory.take(column)
        rate = (column - self._memory.ago(self._ticks)) / self._seconds
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
