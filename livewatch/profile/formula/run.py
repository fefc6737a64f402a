"""Runs formulas over ticks: whole columns in, whole columns out.

A `Program` puts the plans of all formulas that run together into one list of steps, each part once however many
formulas it occurs in, and takes run after run of consecutive ticks. A `FormulaRun` is one formula of it; they are asked
in the order in which they were started, and what no later one reads is let go. The digits do not depend on how the
ticks are cut. A division by zero, or a number beyond what a float64 holds, is unknown; ticks lost to that are counted
in `undefined`.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from functools import partial
from math import isfinite
from typing import Any

import numpy as np
from numpy.typing import NDArray

from livewatch.data.ticks import Ages, Span
from livewatch.profile.formula.columns import (
    ARITHMETIC,
    COMPARISONS,
    PAIRS,
    SINGLES,
    Column,
    Logic,
    Mask,
    Numbers,
    as_logic,
    as_numbers,
    both,
    choose,
    choose_logic,
    either,
    scaled,
    truth,
    turned,
)
from livewatch.profile.formula.plan import Age, Choice, Constant, Input, Pair, Plan, Scaled, Single, Window
from livewatch.profile.formula.step import Step
from livewatch.profile.formula.windows import Hold, Look, Recently, SoFar, highest, lowest, mean, rate

__all__ = ["FormulaRun", "Program"]

NO_VALUES: NDArray[np.float64] = np.empty((0, 0))
NO_TICKS: NDArray[np.int64] = np.empty(0, np.int64)


class Program:
    """All formulas that run over the same ticks. Ask them within `np.errstate(all="ignore")`.

    Args:
        index: channel name to row of the values.
        period: nanoseconds between ticks.
    """

    def __init__(self, index: Mapping[str, int], period: int) -> None:
        self._index = index
        self._period = period
        self._steps: list[Step] = []
        self._places: dict[tuple[Any, ...], int] = {}
        self._logical: set[int] = set()
        """Steps that give `Logic`."""
        self._looks: dict[int, Look] = {}
        self._wanted: list[tuple[int, bool]] = []
        """Of each formula in order: the step that gives its result, and whether it is asked at every batch."""
        self._tasks: list[tuple[int, ...]] = []
        """Of each formula: the steps that none before it has done."""
        self._let_go: list[tuple[int, ...]] = []
        """Of each formula: the steps that nobody reads after it."""
        self._fixed: list[Any] = []
        """The results of steps that are always the same, None for the others."""
        self._fixed_lost: dict[int, Mask] = {}
        self._value = NO_VALUES
        self._age: Ages | None = None
        self._done: list[Any] = []
        self._asked = 0
        self._known: dict[int, tuple[bool, Span | None, Logic | None]] = {}
        """What is known of channels at the ticks at hand: see `Numbers`."""
        self._lost: dict[int, Mask] = {}
        self.undefined: list[NDArray[np.int64]] = []
        """Those of the ticks at hand that formulas counted."""
        self._next: int | None = None

    def start(self, plan: Plan, alone: bool = False) -> FormulaRun:
        """Add a formula, before the first ticks; parts that are there already are shared. One that is `alone` is done
        with its ticks when it was evaluated."""
        return FormulaRun(self, *self._added(self.number(self._place(plan)), True), alone)

    def start_condition(self, plan: Plan, seldom: bool = False) -> ConditionRun:
        """The same of what is true or false. One that is asked `seldom` may be left out where it does not matter, as
        long as all its windows stand in formulas before it: else it has to be asked always."""
        return ConditionRun(self, *self._added(self.logic(self._place(plan)), not seldom), not seldom)

    def begin(self, value: NDArray[np.float64], first: int, age: Ages | None = None) -> None:
        """Take the next ticks in, unless they are the ones at hand; see `FormulaRun.evaluate`. `age` (c, n) is that of
        each value in s, NaN where none was ever received; without it ages are unknown."""
        if value is self._value:
            return
        if self._next not in (None, first):
            raise ValueError(f"tick {first} does not follow on: expected {self._next}")
        self.complete()
        self._next = first + value.shape[1]
        self._value = value
        self._age = age
        self._done = self._fixed.copy()
        self._lost = self._fixed_lost.copy()
        self.undefined = []
        self._asked = 0

    def complete(self) -> None:
        """All formulas are added. Said by whoever knows; else the first ticks say it."""
        if not self._tasks:
            self._places.clear()
            self._fix()
            self._schedule()

    def know(self, row: int, whole: bool, span: Span | None, logic: Logic | None = None) -> None:
        """What is known of a channel at the ticks at hand; see `Numbers`."""
        self._known[row] = whole, span, logic

    def end(self) -> NDArray[np.int64]:
        """The ticks at hand are done with: nothing of them is kept but what windows need. Gives the ticks, ascending,
        that formulas counted as undefined, one asked seldom aside."""
        self._value, self._age = NO_VALUES, None
        self._done = []
        self._lost = {}
        self._known.clear()
        undefined = np.sort(np.concatenate(self.undefined)) if self.undefined else NO_TICKS
        self.undefined = []
        return undefined

    def result(self, number: int) -> Any:
        """What formula `number` gives for the ticks at hand."""
        done, steps = self._done, self._steps
        if number < self._asked:
            raise ValueError("formulas are asked in the order in which they were started")
        for before in range(self._asked, number):
            for place in self._let_go[before]:
                done[place] = None
        self._asked = number
        for place in self._tasks[number]:
            if done[place] is None:
                done[place] = self._worked_out(place, steps[place], done)
        return done[self._wanted[number][0]]

    def _worked_out(self, place: int, step: Step, done: list[Any]) -> Any:
        if step.call is None:
            row = step.places[0]
            if row < 0:
                return Numbers(np.full(self.width, np.nan) if self._age is None else self._age[~row].astype(np.float64))
            return Numbers(self._value[row], *self._known.get(row, ()))
        given = [done[one] for one in step.places]
        if not step.checked:
            return step.call(*given)
        return self._finite(place, step.call(*[one.values for one in given]), given)

    def lost(self, places: Collection[int]) -> Mask | None:
        """Where one of these steps had no value though all it was given was known; None for nowhere."""
        masks = [mask for place, mask in self._lost.items() if place in places]
        return np.logical_or.reduce(np.broadcast_arrays(*masks)) if masks else None

    def rows(self, places: Collection[int]) -> list[int]:
        """The rows of the channels that these steps read."""
        read = [step.places[0] for step in (self._steps[place] for place in sorted(places)) if step.call is None]
        return [row if row >= 0 else ~row for row in read]

    @property
    def width(self) -> int:
        """Number of ticks at hand."""
        return int(self._value.shape[1])

    def number(self, place: int) -> int:
        """The step that gives the result of `place` as numbers: 1 true, 0 false."""
        return self._add(("number", place), Step(as_numbers, (place,))) if place in self._logical else place

    def logic(self, place: int) -> int:
        """The step that gives the result of `place` as logic."""
        return place if place in self._logical else self._add(("logic", place), Step(as_logic, (place,)), True)

    def _added(self, place: int, always: bool) -> tuple[int, frozenset[int]]:
        """The number of the formula that `place` gives the result of, and all steps it rests on."""
        if self._tasks:
            raise ValueError("the program is complete already")
        self._wanted.append((place, always))
        return len(self._wanted) - 1, frozenset(self._under(place, ()))

    def _under(self, place: int, there: Collection[int]) -> set[int]:
        """The steps that `place` rests on, itself among them, but for those that are `there` and what is under them."""
        found: set[int] = set()
        waiting = [place]
        while waiting:
            place = waiting.pop()
            if place not in found and place not in there:
                found.add(place)
                waiting += self._steps[place].operands
        return found

    def _fix(self) -> None:
        """Do the steps that rest on constants alone."""
        self._fixed = [None] * len(self._steps)
        for place, step in enumerate(self._steps):
            if step.call is not None and step.still and all(self._fixed[one] is not None for one in step.places):
                with np.errstate(all="ignore"):
                    self._fixed[place] = self._worked_out(place, step, self._fixed)
        self._fixed_lost = self._lost

    def _schedule(self) -> None:
        """Work out when each step is done, and when its result is let go."""
        there = {place for place, result in enumerate(self._fixed) if result is not None}
        last_read: dict[int, int] = {}
        fixed = frozenset(there)
        for number, (result, always) in enumerate(self._wanted):
            tasks = self._under(result, there)
            self._tasks.append(tuple(sorted(tasks)))
            for read in ({result} | tasks).union(*(self._steps[place].operands for place in tasks)):
                last_read[read] = number
            if always or not all(self._steps[place].still for place in tasks):
                there |= tasks
                self._wanted[number] = result, True
        self._let_go = [() for _ in self._wanted]
        for place, number in last_read.items():
            if place not in fixed:
                self._let_go[number] += (place,)

    def is_always(self, number: int) -> bool:
        """Whether a formula has to be asked at every batch."""
        return self._wanted[number][1]

    def _add(self, key: tuple[Any, ...], step: Step, logical: bool = False) -> int:
        place = self._places.get(key)
        if place is None:
            place = self._places[key] = len(self._steps)
            self._steps.append(step)
            if logical:
                self._logical.add(place)
        return place

    def _place(self, plan: Plan) -> int:
        """The step of `plan`, put behind those of its parts, by which it is known, unless it is there already."""
        match plan:
            case Input(name):
                return self._add(("input", name), Step(None, (self._index[name],)))
            case Age(name):
                return self._add(("age", name), Step(None, (~self._index[name],)))
            case Constant(number):
                # One tick stands for all of them: numpy repeats it where it meets a column.
                return self._add(("constant", number), Step(partial(Numbers, np.array([number])), ()))
            case Scaled(operand, scale, offset):
                one = self._number(operand)
                return self._add(("scaled", one, scale, offset), Step(partial(scaled, scale, offset), (one,), True))
            case Single("not", operand):
                one = self.logic(self._place(operand))
                return self._add(("not", one), Step(turned, (one,)), True)
            case Single("lowest_so_far" | "highest_so_far" as kind, operand):
                one = self._each(self._number(operand))
                so_far = SoFar(np.fmin if kind == "lowest_so_far" else np.fmax)
                return self._add((kind, one), Step(so_far, (one,), still=False))
            case Single(kind, operand):
                one = self._number(operand)
                call: Callable[[Numbers], Any] = truth if kind == "truth" else SINGLES[kind]
                return self._add((kind, one), Step(call, (one,)), kind == "truth")
            case Pair("and" | "or" as kind, left, right):
                operands = self.logic(self._place(left)), self.logic(self._place(right))
                return self._add((kind, *operands), Step(both if kind == "and" else either, operands), True)
            case Pair(kind, left, right):
                operands = self._number(left), self._number(right)
                if kind in COMPARISONS:
                    return self._add((kind, *operands), Step(COMPARISONS[kind], operands), True)
                if kind in ARITHMETIC:
                    return self._add((kind, *operands), Step(ARITHMETIC[kind], operands, True))
                return self._add((kind, *operands), Step(PAIRS[kind], operands))
            case Choice(condition, chosen, otherwise):
                return self._place_choice(self.logic(self._place(condition)), chosen, otherwise)
            case Window(kind, operand, span):
                ticks = max(1, (span + self._period // 2) // self._period)
                return self._place_window(kind, self._place(operand), ticks)

    def _number(self, plan: Plan) -> int:
        return self.number(self._place(plan))

    def _place_choice(self, condition: int, chosen: Plan, otherwise: Plan) -> int:
        places = self._place(chosen), self._place(otherwise)
        logical = self._logical.issuperset(places)
        all_three = condition, *(places if logical else map(self.number, places))
        return self._add(("choice", *all_three), Step(choose_logic if logical else choose, all_three), logical)

    def _place_window(self, kind: str, operand: int, ticks: int) -> int:
        if kind == "recently":
            column = self._each(self.logic(operand))
            return self._add((kind, column, ticks), Step(Recently(ticks), (column,), still=False), True)
        column = self._each(self.number(operand))
        if kind == "hold":
            return self._add((kind, column, ticks), Step(Hold(ticks), (column,), still=False))
        look = self._looks.get(column)
        if look is None:
            look = self._looks[column] = Look()
        look.need(ticks if kind == "rate" else ticks - 1)
        past = self._add(("look", column), Step(look.take, (column,), still=False))
        call = partial(rate, seconds=ticks * self._period / 1e9) if kind == "rate" else _WINDOWS[kind]
        return self._add((kind, past, ticks), Step(partial(call, ticks=ticks), (past,)))

    def _each(self, place: int) -> int:
        """The step that gives the result of `place` with all its ticks; a constant has one."""
        return self._add(("each", place), Step(self._over_all, (place,), still=False), place in self._logical)

    # A method rather than a closure: a deep copy of a program must read its own width, not that of the original.

    def _over_all(self, column: Numbers | Logic) -> Numbers | Logic:
        return column.over(self.width)

    def _finite(self, place: int, result: Column, operands: list[Numbers]) -> Numbers:
        """`result` with NaN for what is no finite number, remembering where known operands led to that."""
        if isfinite(result.sum()):  # then each of them is
            return Numbers(result, True)
        finite = np.isfinite(result)
        if not finite.all():
            wrong = ~finite
            result[wrong] = np.nan
            for operand in operands:
                wrong &= ~np.isnan(operand.values)
            if wrong.any():
                self._lost[place] = wrong
        return Numbers(result)


class _Run:
    """One formula on its way through a run of ticks; made by `Program`.

    `undefined` counts the ticks so far at which every input was known, yet the result was not, because something was
    divided by zero or grew beyond all bounds.
    """

    def __init__(self, program: Program, number: int, places: frozenset[int], counted: bool = True) -> None:
        self.undefined = 0
        self._program = program
        self._number = number
        self._counted = counted
        self._places = places
        self._rows = program.rows(places)

    def _asked(self, value: NDArray[np.float64], first: int) -> Any:
        self._program.begin(value, first)
        return self._program.result(self._number).over(self._program.width)

    def _count(self, value: NDArray[np.float64], first: int, unknown: Callable[[], Mask]) -> None:
        lost = self._program.lost(self._places)
        if lost is not None:
            known = ~np.isnan(value[self._rows]).any(axis=0)
            ticks = np.flatnonzero(known & lost & unknown()) + first
            self.undefined += len(ticks)
            if self._counted:
                self._program.undefined.append(ticks)


class FormulaRun(_Run):
    """A formula that gives numbers. One that is `alone` has its program for itself."""

    def __init__(self, program: Program, number: int, places: frozenset[int], alone: bool) -> None:
        super().__init__(program, number, places)
        self._alone = alone
        self._copied = len(places) == 1

    def numbers(self, value: NDArray[np.float64], first: int) -> Numbers:
        """The formula at n consecutive ticks, not to be changed; see `evaluate`."""
        found: Numbers = self._asked(value, first)
        self._count(value, first, lambda: np.isnan(found.values))
        return found

    def evaluate(self, value: NDArray[np.float64], first: int) -> Column:
        """float64 (n,): the formula at n consecutive ticks; not to be changed where it shares a program.

        Args:
            value: float64 (c, n), one row a channel, NaN where unknown; not changed.
            first: index of the first tick; must follow on the last call's ticks.
        """
        with np.errstate(all="ignore"):
            found = self.numbers(value, first).values
        if self._alone:
            self._program.end()
        return found.copy() if self._copied else found


class ConditionRun(_Run):
    """A formula that is true or false."""

    @property
    def is_always(self) -> bool:
        """Whether it has to be asked at every batch."""
        return self._program.is_always(self._number)

    def truth(self, value: NDArray[np.float64], first: int) -> Logic:
        """The same as logic, where it is true and where it is false."""
        found: Logic = self._asked(value, first)
        self._count(value, first, lambda: found.unknown)
        return found


_WINDOWS: dict[str, Callable[..., Numbers]] = {"mean": mean, "lowest": lowest, "highest": highest}
