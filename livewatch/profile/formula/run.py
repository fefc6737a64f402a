"""Runs a formula over ticks: whole columns in, whole columns out.

`FormulaRun` puts a plan's nodes into a list of steps once (a part that occurs twice is one step) and then takes run
after run of consecutive ticks. The digits do not depend on how the ticks are cut. A division by zero, or a number
beyond what a float64 holds, is unknown; ticks lost to that are counted in `undefined`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial

import numpy as np
from numpy.typing import NDArray

from livewatch.profile.formula.plan import Choice, Constant, Input, Pair, Plan, Scaled, Single, Window, parts_of
from livewatch.profile.formula.windows import Extreme, Hold, Mean, Rate, Recently

__all__ = ["FormulaRun"]

Column = NDArray[np.float64]
Step = tuple[Callable[..., Column], tuple[int, ...]]
"""What to call, and the earlier steps whose columns it is given."""
NO_VALUES: NDArray[np.float64] = np.empty((0, 0))


class FormulaRun:
    """One formula on its way through a run of ticks.

    Args:
        plan: what to compute.
        index: channel name to row of the values.
        period: nanoseconds between ticks.

    `undefined` counts the ticks so far at which every input was known, yet the result was not, because something was
    divided by zero or grew beyond all bounds.
    """

    def __init__(self, plan: Plan, index: Mapping[str, int], period: int) -> None:
        self.undefined = 0
        self._index = index
        self._period = period
        self._rows: list[int] = []
        self._steps: list[Step] = []
        self._places: dict[Plan, int] = {}
        self._place(plan)
        self._places.clear()
        self._bare = isinstance(plan, Input | Constant)
        self._value = NO_VALUES
        self._lost: NDArray[np.bool_] | None = None
        self._next: int | None = None

    def evaluate(self, value: NDArray[np.float64], first: int) -> Column:
        """float64 (n,): the formula at n consecutive ticks.

        Args:
            value: float64 (c, n), one row a channel, NaN where unknown; not changed.
            first: index of the first tick; must follow on the last call's ticks.
        """
        if self._next not in (None, first):
            raise ValueError(f"tick {first} does not follow on: expected {self._next}")
        self._next = first + value.shape[1]
        self._value = value
        done: list[Column] = []
        with np.errstate(all="ignore"):
            for call, places in self._steps:
                done.append(call(*[done[place] for place in places]))
        result = self._whole(done[-1])
        if self._lost is not None:
            known = ~np.isnan(value[self._rows]).any(axis=0)
            self.undefined += int(np.count_nonzero(known & self._lost & np.isnan(result)))
        self._value = NO_VALUES  # not to keep a whole batch alive
        self._lost = None
        return result.copy() if self._bare else result

    def _place(self, plan: Plan) -> int:
        """Appends the step of `plan` after those of its parts, unless it is there already; gives its position."""
        if plan not in self._places:
            places = tuple(self._place(part) for part in parts_of(plan))
            self._steps.append((self._call(plan), places))
            self._places[plan] = len(self._steps) - 1
        return self._places[plan]

    def _call(self, plan: Plan) -> Callable[..., Column]:
        match plan:
            case Input(name):
                row = self._index[name]
                self._rows.append(row)
                return partial(self._input, row)
            case Constant(number):
                # One tick stands for all of them: numpy repeats it where it meets a column.
                return partial(_same, np.array([number]))
            case Scaled(_, scale, offset):
                return partial(self._scaled, scale, offset)
            case Single(kind):
                return _SINGLES[kind]
            case Pair(kind) if kind in _ARITHMETIC:
                return partial(self._combined, _ARITHMETIC[kind])
            case Pair(kind):
                return _PAIRS[kind]
            case Choice():
                return _choose
            case Window():
                return partial(self._looked_back, self._window(plan))

    # Methods rather than closures: a deep copy of a run must read its own values, not those of the run it came from.

    def _input(self, row: int) -> Column:
        column: Column = self._value[row]
        return column

    def _looked_back(self, window: Callable[[Column], Column], column: Column) -> Column:
        return window(self._whole(column))

    def _whole(self, column: Column) -> Column:
        """`column` with all its ticks; a constant has one."""
        n = self._value.shape[1]
        return column if len(column) == n else np.full(n, column[0])

    def _scaled(self, scale: float, offset: float, column: Column) -> Column:
        scaled: Column = column * scale + offset
        return self._finite(scaled, column)

    def _combined(self, operation: Callable[[Column, Column], Column], left: Column, right: Column) -> Column:
        return self._finite(operation(left, right), left, right)

    def _window(self, plan: Window) -> Callable[..., Column]:
        ticks = max(1, (plan.span + self._period // 2) // self._period)
        match plan.kind:
            case "mean":
                return Mean(ticks)
            case "rate":
                return Rate(ticks, self._period)
            case "lowest":
                return Extreme(ticks, np.fmin)
            case "highest":
                return Extreme(ticks, np.fmax)
            case "recently":
                return Recently(ticks)
            case "hold":
                return Hold(ticks)

    def _finite(self, result: Column, *operands: Column) -> Column:
        """`result` with NaN for what is no finite number, remembering where known operands led to that."""
        wrong = ~np.isfinite(result)
        if wrong.any():
            result[wrong] = np.nan
            for operand in operands:
                wrong &= ~np.isnan(operand)
            self._lost = wrong if self._lost is None else self._lost | wrong
        return result


def _same(column: Column) -> Column:
    return column


def _compared(operation: Callable[[Column, Column], NDArray[np.bool_]]) -> Callable[[Column, Column], Column]:
    def compare(left: Column, right: Column) -> Column:
        result = operation(left, right).astype(np.float64)
        result[np.isnan(left) | np.isnan(right)] = np.nan
        return result

    return compare


def _and(left: Column, right: Column) -> Column:
    return np.where((left == 0.0) | (right == 0.0), 0.0, left * right)


def _or(left: Column, right: Column) -> Column:
    return np.where((left == 1.0) | (right == 1.0), 1.0, left + right)


def _truth(column: Column) -> Column:
    return np.where(np.isnan(column), np.nan, (column != 0.0).astype(np.float64))


def _choose(condition: Column, chosen: Column, otherwise: Column) -> Column:
    return np.where(np.isnan(condition), np.nan, np.where(condition == 1.0, chosen, otherwise))


_SINGLES: dict[str, Callable[..., Column]] = {
    "-": np.negative,
    "abs": np.abs,
    "not": lambda column: 1.0 - column,
    "truth": _truth,
}
_ARITHMETIC: dict[str, Callable[..., Column]] = {
    "+": np.add,
    "-": np.subtract,
    "*": np.multiply,
    "/": np.divide,
}
_PAIRS: dict[str, Callable[..., Column]] = {
    "<": _compared(np.less),
    "<=": _compared(np.less_equal),
    ">": _compared(np.greater),
    ">=": _compared(np.greater_equal),
    "==": _compared(np.equal),
    "!=": _compared(np.not_equal),
    "and": _and,
    "or": _or,
    # + 0.0 because the sign of the smaller of two zeros is left open, and may depend on the place in the column
    "min": lambda left, right: np.minimum(left, right) + 0.0,
    "max": lambda left, right: np.maximum(left, right) + 0.0,
}
