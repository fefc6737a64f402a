"""Looks back over the last ticks that come out bit for bit the same however the ticks are cut into batches.

Columns of consecutive ticks go in; each `Look` keeps of a column what the longest window over it still needs, and gives
the batch at hand with that before it as a `Past`, which all windows over the column share. A window of w ticks is the
current tick and the w - 1 before it; ticks before the first count as unknown. Sums never run on from tick to tick: each
tick's sum is put together from sums over 2, 4, 8, ... ticks, so the order of the additions is fixed by w alone.

Rules for unknown ticks:

* mean, lowest, highest: of the known ticks when at least half of the window is known, otherwise unknown;
* recently: true when any tick was true; false when all were false; otherwise unknown;
* rate: unknown when either end is;
* hold: the last known value, while it is at most w ticks old;
* lowest and highest so far: of the known ticks since the first; unknown until there is one.
"""

from __future__ import annotations

from math import isfinite
from typing import Any

import numpy as np
from numpy.typing import NDArray

from livewatch.profile.formula.columns import Column, Logic, Mask, Numbers, as_numbers

__all__ = ["Hold", "Look", "Past", "Recently", "SoFar", "highest", "lowest", "mean", "rate"]


class Past:
    """A column of the batch at hand with the `reach` ticks before it.

    Attributes:
        values: (reach + n,).
        is_whole: whether every tick is known, those before the batch included.
        is_logic: whether each is 1 or 0: then a byte a tick is enough for the lowest and the highest.
    """

    def __init__(self, values: NDArray[Any], reach: int, is_whole: bool, is_logic: bool = False) -> None:
        self.values = values
        self.is_whole = is_whole
        self.is_logic = is_logic
        self._reach = reach
        self._levels: dict[str, dict[int, NDArray[Any]]] = {}
        self._known: NDArray[np.int64] | None = None

    def ago(self, ticks: int) -> NDArray[Any]:
        """(n,): the column as it was so many ticks earlier."""
        return self.values[self._reach - ticks : len(self.values) - ticks]

    def over(self, combine: np.ufunc, power: int, ago: int) -> NDArray[Any]:
        """(n,): all values over 2**power ticks combined, `ago` ticks earlier; each from those over half as many:
        S2[i] = S1[i] + S1[i-1], S4[i] = S2[i] + S2[i-2], ..."""
        levels = self._levels.get(combine.__name__)
        if levels is None:
            first: NDArray[Any] = self.values
            if combine is np.add and not self.is_whole:
                first = np.where(np.isnan(first), 0.0, first)
            elif self.is_logic and combine is not np.add:
                first = first != 0.0
            levels = self._levels[combine.__name__] = {0: first}
        known = max(one for one in levels if one <= power)
        level = levels[known]
        for below in range(known, power):
            half = 1 << below
            level = combine(level[half:], level[:-half])
        levels[power] = level
        stop = len(level) - ago
        return level[stop - len(self.values) + self._reach : stop]

    def extreme(self, combine: np.ufunc, ticks: int) -> NDArray[Any]:
        """(n,): over `ticks` ticks, that of two stretches a power of two long, which overlap."""
        power = ticks.bit_length() - 1
        longest = self.over(combine, power, 0)
        rest = ticks - (1 << power)
        found: NDArray[Any] = combine(longest, self.over(combine, power, rest)) if rest else longest
        return found

    def known(self, ticks: int) -> NDArray[np.int64]:
        """(n,): how many of the last `ticks` values are known."""
        if self._known is None:
            self._known = np.concatenate(([0], np.cumsum(~np.isnan(self.values))))
        return self._known[self._reach + 1 :] - self._known[self._reach + 1 - ticks : len(self._known) - ticks]


class _Before:
    """The last ticks of a column, for the next batch; `fill` stands for those before the first."""

    def __init__(self, fill: float | bool) -> None:
        self.values: NDArray[Any] = np.full(0, fill)
        self._fill = fill

    def need(self, ticks: int) -> None:
        """So many will be looked back at. To be said before the first batch."""
        if ticks > len(self.values):
            self.values = np.full(ticks, self._fill)

    def joined(self, column: NDArray[Any]) -> NDArray[Any]:
        """The next ticks, with those before them in front."""
        reach = len(self.values)
        joined = np.concatenate((self.values, column))
        self.values = joined[len(joined) - reach :].copy()
        return joined


class Look:
    """Keeps of a column of numbers what the windows over it need."""

    def __init__(self) -> None:
        self._before = _Before(np.nan)

    def need(self, ticks: int) -> None:
        """A window will look back so far. To be said before the first batch."""
        self._before.need(ticks)

    def take(self, column: Numbers) -> Past:
        """The next ticks, with those before them."""
        before = self._before.values
        is_whole = column.whole and not np.isnan(before.min(initial=np.inf))
        is_logic = is_whole and column.logic is not None and bool(((before == 0.0) | (before == 1.0)).all())
        return Past(self._before.joined(column.values), len(before), is_whole, is_logic)


class Recently:
    """Whether a condition was true at any tick of the window, `ticks` long."""

    def __init__(self, ticks: int) -> None:
        self._ticks = ticks
        self._true, self._false = _Before(False), _Before(False)
        self._true.need(ticks - 1)
        self._false.need(ticks - 1)

    def __call__(self, logic: Logic) -> Logic:
        """The next ticks."""
        reach = self._ticks - 1
        whole = logic.whole and bool((self._true.values | self._false.values).all())
        true, false = self._true.joined(logic.true), self._false.joined(logic.false)
        found: Mask = Past(true, reach, True).extreme(np.logical_or, self._ticks)
        if whole:
            return Logic.given(found, ~found, True)
        return Logic.given(found, Past(false, reach, True).extreme(np.logical_and, self._ticks))


def _of_known(past: Past, ticks: int, whole: np.ufunc, partly: np.ufunc) -> Numbers:
    if past.is_logic:
        true: Mask = past.extreme(np.logical_and if whole is np.minimum else np.logical_or, ticks)
        return as_numbers(Logic.given(true, ~true, True))
    found: Column = past.extreme(whole if past.is_whole else partly, ticks)
    # + 0.0 because the sign of the smaller of two zeros is left open, and may depend on the place in the column
    found = np.add(found, 0.0, out=None if found.base is not None else found)
    if past.is_whole:
        return Numbers(found, True)
    return Numbers(np.where(2 * past.known(ticks) >= ticks, found, np.nan))


def lowest(past: Past, ticks: int) -> Numbers:
    """The lowest known value over the window."""
    return _of_known(past, ticks, np.minimum, np.fmin)


def highest(past: Past, ticks: int) -> Numbers:
    """The highest known value over the window."""
    return _of_known(past, ticks, np.maximum, np.fmax)


def mean(past: Past, ticks: int) -> Numbers:
    """The mean of the known values over the window: its sum over the powers of two that make up `ticks`, the smallest
    the latest."""
    total = np.zeros(len(past.ago(0)))
    offset = 0
    for power in range(ticks.bit_length()):
        if ticks >> power & 1:
            total += past.over(np.add, power, offset)
            offset += 1 << power
    if past.is_whole and isfinite(total.sum()):  # then each of them is
        total /= ticks
        return Numbers(total, True)
    known = np.isfinite(total)
    count = past.known(ticks)
    found = np.full(len(total), np.nan)
    np.divide(total, count, out=found, where=known & (2 * count >= ticks))
    return Numbers(found)


def rate(past: Past, ticks: int, seconds: float) -> Numbers:
    """(now - `ticks` ago) over the `seconds` between them: the column's unit per second."""
    found: Column = past.ago(0) - past.ago(ticks)
    found /= seconds
    if isfinite(found.sum()):
        return Numbers(found, True)
    wrong = ~np.isfinite(found)
    if wrong.any():
        found[wrong] = np.nan
    return Numbers(found)


class Hold:
    """The last known value, while it is at most `ticks` old."""

    def __init__(self, ticks: int) -> None:
        self._ticks = ticks
        self._value = np.nan
        self._age = ticks + 1

    def __call__(self, operand: Numbers) -> Numbers:
        """The next ticks."""
        column = operand.values
        if not len(column):
            return operand
        position = np.arange(len(column))
        last = np.maximum.accumulate(np.where(np.isnan(column), -1, position))
        here = last >= 0
        value = np.where(here, column[last], self._value)
        age = np.where(here, position - last, self._age + 1 + position)
        self._value, self._age = float(value[-1]), min(int(age[-1]), self._ticks + 1)
        return Numbers(np.where(age <= self._ticks, value, np.nan))


class SoFar:
    """The lowest or the highest known value since the first tick: `combine` is np.fmin or np.fmax."""

    def __init__(self, combine: np.ufunc) -> None:
        self._combine = combine
        self._value = np.nan

    def __call__(self, operand: Numbers) -> Numbers:
        """The next ticks."""
        column = operand.values
        if not len(column):
            return operand
        # + 0.0 because the sign of the smaller of two zeros is left open
        found: Column = self._combine.accumulate(np.concatenate(([self._value], column)))[1:] + 0.0
        self._value = float(found[-1])
        return Numbers(found)
