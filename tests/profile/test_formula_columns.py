"""Formulas on whole columns: equal to a plain evaluator that goes tick by tick, and to themselves for any cutting."""

from __future__ import annotations

import copy
import math
from collections.abc import Callable
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from livewatch.profile.formula.compile import compile_formula
from livewatch.profile.formula.run import Program
from livewatch.profile.formula.syntax import Binary, Call, FormulaError, Name, Node, Number, Unary, parse

PERIOD = 10_000_000
CHANNELS = ("a", "b", "c", "p", "q")
UNITS = dict.fromkeys(CHANNELS, "1")
INDEX = {name: row for row, name in enumerate(CHANNELS)}

Value = float | None


class PlainEvaluator:
    """One tick at a time, in plain Python, None for unknown: written from the rules, not from the code under test."""

    def __init__(self, values: NDArray[np.float64]) -> None:
        self._values = values
        self._known: dict[tuple[int, int], Value] = {}

    def at(self, node: Node, tick: int) -> Value:
        if tick < 0:
            return None
        if (id(node), tick) not in self._known:
            self._known[id(node), tick] = self.found(node, tick)
        return self._known[id(node), tick]

    def found(self, node: Node, tick: int) -> Value:
        match node:
            case Number(_, value):
                return value
            case Name(_, name):
                value = float(self._values[INDEX[name], tick])
                return None if math.isnan(value) else value
            case Unary(_, "not", operand):
                value = self.truth(operand, tick)
                return None if value is None else 1.0 - value
            case Unary(_, _, operand):
                value = self.at(operand, tick)
                return None if value is None else -value
            case Binary(_, "and", left, right):
                both = (self.truth(left, tick), self.truth(right, tick))
                return 0.0 if 0.0 in both else None if None in both else 1.0
            case Binary(_, "or", left, right):
                both = (self.truth(left, tick), self.truth(right, tick))
                return 1.0 if 1.0 in both else None if None in both else 0.0
            case Binary(_, operator, left, right):
                return self.pair(operator, self.at(left, tick), self.at(right, tick))
            case Call(_, function, arguments):
                return self.call(function, arguments, tick)

    def truth(self, node: Node, tick: int) -> Value:
        value = self.at(node, tick)
        return None if value is None else float(value != 0.0)

    def pair(self, operator: str, left: Value, right: Value) -> Value:
        if left is None or right is None:
            return None
        if operator == "/" and right == 0.0:
            return None
        operations: dict[str, Callable[[float, float], float]] = {
            "+": lambda x, y: x + y,
            "-": lambda x, y: x - y,
            "*": lambda x, y: x * y,
            "/": lambda x, y: x / y,
            "<": lambda x, y: float(x < y),
            "<=": lambda x, y: float(x <= y),
            ">": lambda x, y: float(x > y),
            ">=": lambda x, y: float(x >= y),
            "==": lambda x, y: float(x == y),
            "!=": lambda x, y: float(x != y),
        }
        return operations[operator](left, right)

    def call(self, function: str, arguments: tuple[Node, ...], tick: int) -> Value:
        if function == "when":
            condition = self.truth(arguments[0], tick)
            return None if condition is None else self.at(arguments[1 if condition else 2], tick)
        if function in ("abs", "min", "max"):
            values = [self.at(argument, tick) for argument in arguments]
            known = [value for value in values if value is not None]
            if len(known) < len(values):
                return None
            return {"abs": lambda v: abs(v[0]), "min": min, "max": max}[function](known)
        if function in ("lowest_so_far", "highest_so_far"):
            so_far = [v for earlier in range(tick + 1) if (v := self.at(arguments[0], earlier)) is not None]
            return None if not so_far else (min if function == "lowest_so_far" else max)(so_far)
        operand, span = arguments
        assert isinstance(span, Number)
        ticks = round(span.value * 100)
        if function == "rate":
            now, ago = self.at(operand, tick), self.at(operand, tick - ticks)
            return None if now is None or ago is None else (now - ago) / (ticks / 100)
        if function == "hold":
            for earlier in range(tick, max(-1, tick - ticks - 1), -1):
                value = self.at(operand, earlier)
                if value is not None:
                    return value
            return None
        look = self.truth if function == "recently" else self.at
        window = [look(operand, earlier) for earlier in range(tick - ticks + 1, tick + 1)]
        known = [value for value in window if value is not None]
        if function == "recently":
            return 1.0 if 1.0 in known else 0.0 if len(known) == ticks else None
        if 2 * len(known) < ticks:
            return None
        return {"mean": lambda v: sum(v) / len(v), "lowest": min, "highest": max}[function](known)


# Quarters and sums of few of them add up without rounding, so that the mean does not depend on the order of its sum.
numbers = st.integers(-16, 16).map(lambda quarter: quarter / 4)
spans = st.integers(1, 9).map(lambda ticks: f"{ticks / 100} s")
exact = st.sampled_from(
    ["a", "b", "c", "a + b", "c - a", "a * 2", "p", "when(p, a, b)", "hold(a, 0.03 s)", "max(a, b)"]
)


def calls(numeric: st.SearchStrategy[str], logical: st.SearchStrategy[str]) -> st.SearchStrategy[str]:
    return st.one_of(
        st.tuples(numeric, st.sampled_from("+-*/"), numeric).map(lambda t: f"({t[0]} {t[1]} {t[2]})"),
        numeric.map(lambda x: f"-({x})"),
        numeric.map(lambda x: f"abs({x})"),
        st.tuples(st.sampled_from(["min", "max"]), numeric, numeric, numeric).map(
            lambda t: f"{t[0]}({t[1]}, {t[2]}, {t[3]})"
        ),
        st.tuples(logical, numeric, numeric).map(lambda t: f"when({t[0]}, {t[1]}, {t[2]})"),
        st.tuples(st.sampled_from(["lowest", "highest", "hold"]), numeric, spans).map(
            lambda t: f"{t[0]}({t[1]}, {t[2]})"
        ),
        st.tuples(st.sampled_from(["lowest_so_far", "highest_so_far"]), exact).map(lambda t: f"{t[0]}({t[1]})"),
        st.tuples(numeric, spans).map(lambda t: f"(rate({t[0]}, {t[1]}) * 1 s)"),
        st.tuples(exact, spans).map(lambda t: f"mean({t[0]}, {t[1]})"),
    )


def logic(numeric: st.SearchStrategy[str], logical: st.SearchStrategy[str]) -> st.SearchStrategy[str]:
    return st.one_of(
        st.tuples(numeric, st.sampled_from(["<", "<=", ">", ">=", "==", "!="]), numeric).map(
            lambda t: f"({t[0]} {t[1]} {t[2]})"
        ),
        st.tuples(logical, st.sampled_from(["and", "or"]), logical).map(lambda t: f"({t[0]} {t[1]} {t[2]})"),
        logical.map(lambda x: f"not ({x})"),
        st.tuples(logical, spans).map(lambda t: f"recently({t[0]}, {t[1]})"),
    )


plain_numbers = st.one_of(st.sampled_from(["a", "b", "c"]), numbers.map(abs).map(repr))
plain_logic = st.sampled_from(["p", "q"])
numeric_1 = st.one_of(plain_numbers, calls(plain_numbers, plain_logic))
logical_1 = st.one_of(plain_logic, logic(plain_numbers, plain_logic))
formulas = st.one_of(calls(numeric_1, logical_1), logic(numeric_1, logical_1))


@st.composite
def drives(draw: st.DrawFn) -> NDArray[np.float64]:
    """Up to forty ticks of five channels, some of them unknown; p and q are true or false."""
    n = draw(st.integers(1, 40))
    quarters = [quarter / 4 for quarter in range(-16, 17)]
    column = st.lists(st.sampled_from([*quarters, *quarters, *33 * [0.0], *33 * [math.nan]]), min_size=n, max_size=n)
    flags = st.lists(st.sampled_from([0.0, 1.0, math.nan, math.nan]), min_size=n, max_size=n)
    return np.array([draw(column), draw(column), draw(column), draw(flags), draw(flags)])


KNOWN_IN_PART = np.array([[1.0, math.nan, math.nan, 2.0]] * 3 + [[math.nan, 0.0, 0.0, 0.0]] * 2)


@example("recently(p, 0.03 s)", KNOWN_IN_PART)
@example("lowest(a, 0.04 s)", KNOWN_IN_PART)
@example("mean(a, 0.04 s)", KNOWN_IN_PART)
@given(formulas, drives())
@settings(max_examples=150, deadline=None)
def test_columns_and_single_ticks_give_the_same_values(text: str, values: NDArray[np.float64]) -> None:
    tree = parse(text, UNITS)
    plain = PlainEvaluator(values)
    expected = [plain.at(tree, tick) for tick in range(values.shape[1])]
    found = compile_formula(text, UNITS).start(INDEX, PERIOD).evaluate(values, 0)
    np.testing.assert_array_equal(found, [math.nan if value is None else value for value in expected])


@given(formulas, drives(), st.data())
@settings(max_examples=150, deadline=None)
def test_any_cutting_of_the_ticks_gives_the_same_bits(
    text: str, values: NDArray[np.float64], data: st.DataObject
) -> None:
    n = values.shape[1]
    formula = compile_formula(text, UNITS)
    whole = formula.start(INDEX, PERIOD)
    expected = whole.evaluate(values, 0)
    cuts = sorted(data.draw(st.sets(st.integers(0, n)))) if n > 1 else []
    edges = [0, *cuts, n]
    pieces = formula.start(INDEX, PERIOD)
    found = np.concatenate([pieces.evaluate(values[:, first:last], first) for first, last in pairwise(edges)])
    known = ~np.isnan(expected)
    np.testing.assert_array_equal(known, ~np.isnan(found))
    np.testing.assert_array_equal(expected[known].view(np.int64), found[known].view(np.int64))
    assert whole.undefined == pieces.undefined


OF_LOGIC = ["lowest(a > -1.5, 0.3 s)", "highest(b > 2.2, 0.37 s)"]


@pytest.mark.parametrize(
    "text", ["mean(a, 3.7 s)", "rate(mean(a, 0.99 s), 0.5 s)", "mean(a * b / 3, 10 s) > 0.1", *OF_LOGIC]
)
@pytest.mark.parametrize("size", [1, 7, 64, 1000])
def test_sums_over_long_windows_do_not_depend_on_the_batch(text: str, size: int) -> None:
    values = np.random.default_rng(3).normal(0.0, 1.0, (5, 2000))
    values[0, 300:420] = math.nan
    formula = compile_formula(text, UNITS)
    expected = formula.start(INDEX, PERIOD).evaluate(values, 0)
    run = formula.start(INDEX, PERIOD)
    found = np.concatenate([run.evaluate(values[:, first : first + size], first) for first in range(0, 2000, size)])
    np.testing.assert_array_equal(expected, found)


def test_a_mean_is_that_of_the_known_values_while_half_of_them_are_known() -> None:
    values = np.array([[1.0, 3.0, math.nan, math.nan, math.nan, 5.0]])
    found = compile_formula("mean(a, 0.04 s)", {"a": "1"}).start({"a": 0}, PERIOD).evaluate(values, 0)
    np.testing.assert_array_equal(found, [math.nan, 2.0, 2.0, 2.0, math.nan, math.nan])


def test_a_rate_is_the_change_over_its_window() -> None:
    pressure = np.array([[100.0, 101.0, 103.0, 106.0]])
    formula = compile_formula("rate(p, 20 ms)", {"p": "kPa"}, "bar/s")
    found = formula.start({"p": 0}, PERIOD).evaluate(pressure, 0)
    np.testing.assert_allclose(found, [math.nan, math.nan, 1.5, 2.5], rtol=1e-15)


def test_an_age_is_that_of_the_value_held_whatever_it_is() -> None:
    program = Program({"a": 0, "b": 1}, PERIOD)
    formula = compile_formula("when(age(a) <= age(b), age(a), 9 s)", {"a": "1", "b": "kPa"}, "ms")
    run = program.start(formula.plan)
    values, age = np.full((2, 3), math.nan), np.array([[0.25, 0.5, 0.5], [0.5, 0.25, math.nan]], np.float32)
    program.begin(values, 0, age)
    np.testing.assert_array_equal(run.evaluate(values, 0), [250.0, 9000.0, math.nan])
    assert np.isnan(formula.start({"a": 0, "b": 1}, PERIOD).evaluate(values, 0)).all(), "nobody says how old they are"
    with pytest.raises(FormulaError, match="age needs the name of a channel"):
        compile_formula("age(a + 1)", {"a": "1"})


def test_a_lost_value_is_held_no_longer_than_asked() -> None:
    values = np.array([[5.0, *[math.nan] * 5, 7.0]])
    found = compile_formula("hold(a, 0.03 s)", {"a": "1"}).start({"a": 0}, PERIOD).evaluate(values, 0)
    np.testing.assert_array_equal(found, [5.0, 5.0, 5.0, 5.0, math.nan, math.nan, 7.0])


def test_a_window_counts_data_time_whatever_the_tick() -> None:
    formula = compile_formula("highest(a, 0.1 s)", {"a": "1"})
    spike = np.zeros((1, 60))
    spike[0, 20] = 9.0
    for period, ticks in ((10_000_000, 10), (20_000_000, 5), (100_000_000, 1), (1_000_000_000, 1)):
        found = formula.start({"a": 0}, period).evaluate(spike, 0)
        assert np.count_nonzero(found == 9.0) == ticks


def test_ticks_that_do_not_follow_on_are_refused() -> None:
    run = compile_formula("a + 1", {"a": "1"}).start({"a": 0}, PERIOD)
    run.evaluate(np.zeros((1, 5)), 10)
    with pytest.raises(ValueError, match="tick 16 does not follow on: expected 15"):
        run.evaluate(np.zeros((1, 1)), 16)


def test_a_copy_of_a_run_goes_on_by_itself() -> None:
    values = np.arange(1.0, 21.0).reshape(1, 20)
    run = compile_formula("mean(a, 0.05 s) * 2 + hold(a, 1 s)", {"a": "1"}).start({"a": 0}, PERIOD)
    run.evaluate(values[:, :10], 0)
    other = copy.deepcopy(run)
    expected = run.evaluate(values[:, 10:], 10)
    np.testing.assert_array_equal(other.evaluate(values[:, 10:] * 1.0, 10), expected)
    assert not np.array_equal(copy.deepcopy(other).evaluate(-values, 20), expected)


def test_the_input_columns_are_never_changed() -> None:
    values = np.array([[1.0, 0.0, math.nan]])
    before = values.copy()
    found = compile_formula("a", {"a": "1"}).start({"a": 0}, PERIOD).evaluate(values, 0)
    found[:] = 7.0
    compile_formula("a / a", {"a": "1"}).start({"a": 0}, PERIOD).evaluate(values, 0)
    np.testing.assert_array_equal(values, before)


@pytest.mark.parametrize("text", OF_LOGIC)
@pytest.mark.parametrize("unknown", [0, 500])
def test_the_lowest_of_logic_is_that_of_its_ones_and_zeros(text: str, unknown: int) -> None:
    values = np.random.default_rng(7).normal(0.0, 1.0, (5, 2000))
    values[:2, 300 : 300 + unknown] = math.nan
    condition = compile_formula(text.split("(")[1].split(",")[0], UNITS).start(INDEX, PERIOD).evaluate(values, 0)
    numbers = np.where(np.arange(5)[:, None] == 0, condition, np.nan)
    plain = f"{text.split('(')[0]}(a,{text.split(',')[1]}"
    expected = compile_formula(plain, UNITS).start(INDEX, PERIOD).evaluate(numbers, 0)
    np.testing.assert_array_equal(compile_formula(text, UNITS).start(INDEX, PERIOD).evaluate(values, 0), expected)
    assert len(set(expected[~np.isnan(expected)].tolist())) == 2
