"""Runs formulas over ticks: whole columns in, whole columns out.

A `Program` puts the plans of all formulas that run together into one list of steps, each part once however many
formulas it occurs in, and takes run after run of consecutive ticks. A `FormulaRun` is one formula of it. Numbers are
float64 with NaN for unknown; logic is kept as `Logic`, two columns of bits. The digits do not depend on how the ticks
are cut. A division by zero, or a number beyond what a float64 holds, is unknown; ticks lost to that are counted in
`undefined`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial
from math import isfinite
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from livewatch.profile.formula.plan import Choice, Constant, Input, Pair, Plan, Scaled, Single, Window
from livewatch.profile.formula.windows import (
    Column,
    Hold,
    Logic,
    Look,
    Past,
    SoFar,
    highest,
    lowest,
    mean,
    rate,
    recently,
)

__all__ = ["FormulaRun", "Program"]

NO_VALUES: NDArray[np.float64] = np.empty((0, 0))


class _Step(NamedTuple):
    """What to call with the results of earlier steps; None for the values of a channel. A `checked` one may leave the
    finite numbers."""

    call: Callable[..., Any] | None
    places: tuple[int, ...]
    checked: bool = False


class Program:
    """All formulas that run over the same ticks.

    Args:
        index: channel name to row of the values.
        period: nanoseconds between ticks.
    """

    def __init__(self, index: Mapping[str, int], period: int) -> None:
        self._index = index
        self._period = period
        self._steps: list[_Step] = []
        self._places: dict[Any, int] = {}
        self._logical: set[int] = set()
        """Steps that give `Logic`."""
        self._looks: dict[int, Look] = {}
        self._needed: dict[int, tuple[int, ...]] = {}
        self._value = NO_VALUES
        self._done: list[Any] = []
        self._lost: dict[int, NDArray[np.bool_]] = {}
        self._next: int | None = None

    def start(self, plan: Plan, alone: bool = False) -> FormulaRun:
        """Add a formula, before the first ticks; parts that are there already are shared. One that is `alone` is done
        with its ticks when it was evaluated."""
        if self._next is not None:
            raise ValueError("the program runs already")
        return FormulaRun(self, self._place(plan), alone)

    def begin(self, value: NDArray[np.float64], first: int) -> None:
        """Take the next ticks in, unless they are the ones at hand; see `FormulaRun.evaluate`."""
        if value is self._value:
            return
        if self._next not in (None, first):
            raise ValueError(f"tick {first} does not follow on: expected {self._next}")
        if self._next is None:
            self._places.clear()
        self._next = first + value.shape[1]
        self._value = value
        self._done = [None] * len(self._steps)
        self._lost = {}

    def end(self) -> None:
        """The ticks at hand are done with: nothing of them is kept but what windows need."""
        self._value = NO_VALUES
        self._done = []
        self._lost = {}

    def result(self, places: tuple[int, ...]) -> Any:
        """What the last of these steps gives for the ticks at hand; those before it are done where they are not yet."""
        done = self._done
        with np.errstate(all="ignore"):
            for place in places:
                if done[place] is None:
                    call, needed, checked = self._steps[place]
                    if call is None:
                        done[place] = self._value[needed[0]]
                        continue
                    given = [done[one] for one in needed]
                    found = call(*given)
                    done[place] = self._finite(place, found, given) if checked else found
        return done[places[-1]]

    def needed(self, place: int) -> tuple[int, ...]:
        """The steps that `place` rests on, in order, itself the last."""
        known = self._needed.get(place)
        if known is None:
            step = self._steps[place]
            below = () if step.call is None else step.places
            known = self._needed[place] = tuple(sorted({place}.union(*map(self.needed, below))))
        return known

    def rows(self, places: tuple[int, ...]) -> list[int]:
        """The rows of the channels that these steps read."""
        return [step.places[0] for step in (self._steps[place] for place in places) if step.call is None]

    def lost(self, places: tuple[int, ...]) -> NDArray[np.bool_] | None:
        """Where one of these steps had no value though all it was given was known; None for nowhere."""
        masks = [mask for place, mask in self._lost.items() if place in places]
        return np.logical_or.reduce(np.broadcast_arrays(*masks)) if masks else None

    @property
    def width(self) -> int:
        """Number of ticks at hand."""
        return int(self._value.shape[1])

    def number(self, place: int) -> int:
        """The step that gives the result of `place` as numbers: 1 true, 0 false."""
        return self._add(("number", place), _Step(_as_numbers, (place,))) if place in self._logical else place

    def logic(self, place: int) -> int:
        """The step that gives the result of `place` as logic."""
        return place if place in self._logical else self._add(("logic", place), _Step(_as_logic, (place,)), True)

    def _add(self, key: Any, step: _Step, logical: bool = False) -> int:
        place = self._places.get(key)
        if place is None:
            place = self._places[key] = len(self._steps)
            self._steps.append(step)
            if logical:
                self._logical.add(place)
        return place

    def _place(self, plan: Plan) -> int:
        """The step of `plan`, put behind those of its parts unless it is there already."""
        known = self._places.get(plan)
        if known is not None:
            return known
        match plan:
            case Input(name):
                return self._add(plan, _Step(None, (self._index[name],)))
            case Constant(number):
                # One tick stands for all of them: numpy repeats it where it meets a column.
                return self._add(plan, _Step(partial(_same, np.array([number])), ()))
            case Scaled(operand, scale, offset):
                call = partial(_scaled, scale, offset)
                return self._add(plan, _Step(call, (self.number(self._place(operand)),), True))
            case Single("truth", operand):
                return self._add(plan, _Step(_truth, (self.number(self._place(operand)),)), True)
            case Single("not", operand):
                return self._add(plan, _Step(_not, (self.logic(self._place(operand)),)), True)
            case Single("lowest_so_far" | "highest_so_far" as kind, operand):
                column = self._add(("whole", place := self._place(operand)), _Step(self._whole, (self.number(place),)))
                return self._add(plan, _Step(SoFar(np.fmin if kind == "lowest_so_far" else np.fmax), (column,)))
            case Single(kind, operand):
                return self._add(plan, _Step(_SINGLES[kind], (self.number(self._place(operand)),)))
            case Pair("and" | "or" as kind, left, right):
                operands = self.logic(self._place(left)), self.logic(self._place(right))
                return self._add(plan, _Step(_and if kind == "and" else _or, operands), True)
            case Pair(kind, left, right):
                operands = self.number(self._place(left)), self.number(self._place(right))
                if kind in _COMPARISONS:
                    return self._add(plan, _Step(_COMPARISONS[kind], operands), True)
                return self._add(plan, _Step(_PAIRS[kind], operands, kind in "+-*/"))
            case Choice(condition, chosen, otherwise):
                return self._place_choice(plan, self.logic(self._place(condition)), chosen, otherwise)
            case Window(kind, operand, span):
                ticks = max(1, (span + self._period // 2) // self._period)
                return self._place_window(plan, kind, self._place(operand), ticks)

    def _place_choice(self, plan: Plan, condition: int, chosen: Plan, otherwise: Plan) -> int:
        places = self._place(chosen), self._place(otherwise)
        if self._logical.issuperset(places):
            return self._add(plan, _Step(_choose_logic, (condition, *places)), True)
        return self._add(plan, _Step(_choose, (condition, *map(self.number, places))))

    def _place_window(self, plan: Plan, kind: str, operand: int, ticks: int) -> int:
        if kind == "recently":
            both = self.logic(operand)
            looks = self._look((both, 0), ticks - 1, False), self._look((both, 1), ticks - 1, False)
            return self._add(plan, _Step(partial(_recently, ticks), looks), True)
        column = self._add(("whole", operand), _Step(self._whole, (self.number(operand),)))
        if kind == "hold":
            return self._add(plan, _Step(Hold(ticks), (column,)))
        look = self._look(column, ticks if kind == "rate" else ticks - 1, np.nan)
        if kind == "rate":
            return self._add(plan, _Step(partial(_rate, ticks, ticks * self._period / 1e9), (look,)))
        return self._add(plan, _Step(partial(_WINDOWS[kind], ticks=ticks), (look,)))

    def _look(self, column: int | tuple[int, int], reach: int, fill: Any) -> int:
        """The step that keeps the past of a column of numbers, or of one of the two of logic."""
        if isinstance(column, tuple):
            column = self._add(("half", column), _Step(partial(self._half, column[1]), (column[0],)))
        look = self._looks.get(column)
        if look is None:
            look = self._looks[column] = Look(fill)
        look.need(reach)
        return self._add(("look", column), _Step(look.take, (column,)))

    # Methods rather than closures: a deep copy of a program must read its own values, not those of the original.

    def _whole(self, column: Column) -> Column:
        """`column` with all its ticks; a constant has one."""
        return column if len(column) == self.width else np.full(self.width, column[0])

    def _half(self, which: int, logic: Logic) -> NDArray[np.bool_]:
        half = logic[which]
        return half if len(half) == self.width else np.full(self.width, half[0])

    def _finite(self, place: int, result: Column, operands: list[Column]) -> Column:
        """`result` with NaN for what is no finite number, remembering where known operands led to that."""
        if isfinite(result.sum()):  # then each of them is
            return result
        finite = np.isfinite(result)
        if not finite.all():
            wrong = ~finite
            result[wrong] = np.nan
            for operand in operands:
                wrong &= ~np.isnan(operand)
            if wrong.any():
                self._lost[place] = wrong
        return result


class FormulaRun:
    """One formula on its way through a run of ticks; made by `Program.start`.

    `undefined` counts the ticks so far at which every input was known, yet the result was not, because something was
    divided by zero or grew beyond all bounds.
    """

    def __init__(self, program: Program, place: int, alone: bool) -> None:
        self.undefined = 0
        self._program = program
        self._alone = alone
        self._numbers = program.needed(program.number(place))
        self._logic = program.needed(program.logic(place))
        self._rows = program.rows(self._numbers)
        self._copied = len(self._numbers) == 1

    def evaluate(self, value: NDArray[np.float64], first: int) -> Column:
        """float64 (n,): the formula at n consecutive ticks; not to be changed where it shares a program.

        Args:
            value: float64 (c, n), one row a channel, NaN where unknown; not changed.
            first: index of the first tick; must follow on the last call's ticks.
        """
        program = self._program
        program.begin(value, first)
        result: Column = program.result(self._numbers)
        if len(result) != program.width:
            result = np.full(program.width, result[0])
        elif self._copied:
            result = result.copy()
        self._count(value, np.isnan, result)
        if self._alone:
            program.end()
        return result

    def truth(self, value: NDArray[np.float64], first: int) -> Logic:
        """The same as logic, where it is true and where it is false."""
        program = self._program
        program.begin(value, first)
        result: Logic = program.result(self._logic)
        if len(result.true) != program.width:
            result = Logic(*(np.full(program.width, half[0]) for half in result))
        self._count(value, _unknown, result)
        return result

    def _count(self, value: NDArray[np.float64], unknown: Callable[[Any], NDArray[np.bool_]], result: Any) -> None:
        lost = self._program.lost(self._numbers)
        if lost is not None:
            known = ~np.isnan(value[self._rows]).any(axis=0)
            self.undefined += int(np.count_nonzero(known & lost & unknown(result)))


def _same(column: Column) -> Column:
    return column


def _scaled(scale: float, offset: float, column: Column) -> Column:
    scaled: Column = column * scale + offset
    return scaled


def _settled(column: Column) -> Column:
    column += 0.0
    return column


def _rate(ticks: int, seconds: float, past: Past) -> Column:
    return rate(past, ticks, seconds)


def _recently(ticks: int, true: Past, false: Past) -> Logic:
    return recently(true, false, ticks)


def _as_numbers(logic: Logic) -> Column:
    numbers: Column = logic.true.astype(np.float64)
    known = logic.true | logic.false
    if not known.all():
        numbers[~known] = np.nan
    return numbers


def _as_logic(column: Column) -> Logic:
    return Logic(column == 1.0, column == 0.0)


def _truth(column: Column) -> Logic:
    return Logic((column < 0.0) | (column > 0.0), column == 0.0)


def _unknown(logic: Logic) -> NDArray[np.bool_]:
    return ~(logic.true | logic.false)


def _not(logic: Logic) -> Logic:
    return Logic(logic.false, logic.true)


def _and(left: Logic, right: Logic) -> Logic:
    return Logic(left.true & right.true, left.false | right.false)


def _or(left: Logic, right: Logic) -> Logic:
    return Logic(left.true | right.true, left.false & right.false)


def _less(left: Column, right: Column) -> Logic:
    return Logic(left < right, left >= right)


def _less_or_equal(left: Column, right: Column) -> Logic:
    return Logic(left <= right, left > right)


def _equal(left: Column, right: Column) -> Logic:
    return Logic(left == right, (left < right) | (left > right))


def _choose(condition: Logic, chosen: Column, otherwise: Column) -> Column:
    result = np.where(condition.true, chosen, otherwise)
    unknown = _unknown(condition)
    return np.where(unknown, np.nan, result) if unknown.any() else result


def _choose_logic(condition: Logic, chosen: Logic, otherwise: Logic) -> Logic:
    yes, no = condition
    return Logic(yes & chosen.true | no & otherwise.true, yes & chosen.false | no & otherwise.false)


_SINGLES: dict[str, Callable[..., Column]] = {"-": np.negative, "abs": np.abs}
_PAIRS: dict[str, Callable[..., Column]] = {
    "+": np.add,
    "-": np.subtract,
    "*": np.multiply,
    "/": np.divide,
    # + 0.0 because the sign of the smaller of two zeros is left open, and may depend on the place in the column
    "min": lambda left, right: _settled(np.minimum(left, right)),
    "max": lambda left, right: _settled(np.maximum(left, right)),
}
_COMPARISONS: dict[str, Callable[[Column, Column], Logic]] = {
    "<": _less,
    "<=": _less_or_equal,
    ">": lambda left, right: _less(right, left),
    ">=": lambda left, right: _less_or_equal(right, left),
    "==": _equal,
    "!=": lambda left, right: _not(_equal(left, right)),
}
_WINDOWS: dict[str, Callable[..., Column]] = {"mean": mean, "lowest": lowest, "highest": highest}
