"""Formulas: channels computed from channels, and the conditions of alarms.

Text and the units of the channels come in; a `Formula` goes out, checked and ready to run over ticks, or a
`FormulaError` that says what is wrong and at which character. `syntax` has the grammar, `check` the
rules for units, `windows` the rules for looks back in time.

    formula = compile_formula("lambda_1 / commanded_lambda", {"lambda_1": "1", "commanded_lambda": "1"})
    run = formula.start({"lambda_1": 0, "commanded_lambda": 1}, period=10_000_000)
    ratio = run.evaluate(value, first=0)
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import cast

from livewatch.profile.formula.check import LARGEST_BARE_SHARE, Checker, combine, in_unit, truth
from livewatch.profile.formula.formula import Formula, SetPoint
from livewatch.profile.formula.plan import Constant, Pair, PairKind, Plan, Single, inputs_of, reach_of
from livewatch.profile.formula.set_point import set_point_of
from livewatch.profile.formula.syntax import COMPARISONS, Binary, Call, FormulaError, Name, Node, Unary, nodes_of, parse
from livewatch.profile.units import UnitError, difference_scale, read_unit, split_quantity

__all__ = ["Condition", "FormulaError", "ages_in", "compile_condition", "compile_formula", "names_in"]

_INVERSE: dict[str, PairKind] = {">": "<=", ">=": "<", "<": ">=", "<=": ">"}


@dataclass(frozen=True, slots=True)
class Condition:
    """The condition of an alarm.

    Attributes:
        condition: true where it holds.
        clear: true where it counts as gone, deadband included.
        setpoint: what makes it true, as a value.
        evidence: the channels read, those compared with the set point first.
    """

    condition: Formula
    clear: Formula
    setpoint: SetPoint
    evidence: tuple[str, ...]


def compile_formula(
    text: str,
    units: Mapping[str, str],
    unit: str | None = None,
    constants: Mapping[str, tuple[float, str]] | None = None,
) -> Formula:
    """Check `text` and make it ready to run.

    Args:
        units: the unit of every channel that exists.
        unit: the unit the result is wanted in; None keeps the one it has.
        constants: value and unit of every dotted constant, such as `engine.displacement`.

    Raises:
        FormulaError: the text is no formula, a name is unknown, or units do not fit.
    """
    typed = Checker(units, constants or {}).check(parse(text, units))
    plan = typed.plan if unit is None else in_unit(typed, unit)
    return _formula(text, typed.shown if unit is None else unit, plan)


def compile_condition(
    text: str,
    deadband: str | None,
    units: Mapping[str, str],
    constants: Mapping[str, tuple[float, str]] | None = None,
) -> Condition:
    """Check the condition of an alarm; with a deadband, also when it is gone.

    `a > b` with deadband d is gone where `a <= b - d`; likewise for the other comparisons. In an `and` / `or` of
    several, the deadband belongs to the only comparison that measures what it measures.

    Raises:
        FormulaError: as `compile_formula`; or the text is not true or false; or no one comparison fits the deadband.
    """
    checker = Checker(units, constants or {})
    tree = parse(text, units)
    typed = checker.check(tree)
    condition = truth(typed, "a condition")
    compared = _comparisons(tree)
    if deadband is None:
        clear: Plan = Single("not", condition)
        clear_text = f"not ({text})"
    else:
        band = _Band(checker, compared, deadband)
        clear = band.clear(tree)
        clear_text = f"({text}) gone by {deadband}"
        compared = [band.comparison]
    return Condition(
        _formula(text, "1", condition),
        _formula(clear_text, "1", clear),
        set_point_of(text, tree, compared[0] if compared else None, checker, constants or {}),
        _evidence(checker, compared, condition),
    )


def names_in(text: str, names: Mapping[str, str]) -> tuple[str, ...]:
    """The channels and constants a formula names, whether they exist or not.

    Raises:
        FormulaError: the text is no formula.
    """
    return tuple(dict.fromkeys(node.name for node in nodes_of(parse(text, names)) if isinstance(node, Name)))


def ages_in(text: str) -> tuple[str, ...]:
    """The channels whose ages a formula reads.

    Raises:
        FormulaError: the text is no formula.
    """
    calls = (node for node in nodes_of(parse(text, {})) if isinstance(node, Call) and node.function == "age")
    return tuple(argument.name for call in calls for argument in call.arguments if isinstance(argument, Name))


def _formula(text: str, unit: str, plan: Plan) -> Formula:
    return Formula(text, unit, inputs_of(plan), reach_of(plan), plan)


def _comparisons(tree: Node) -> list[Binary]:
    """The comparisons of a condition, those hidden in functions aside."""
    match tree:
        case Binary(_, operator, left, right) if operator in ("and", "or"):
            return _comparisons(left) + _comparisons(right)
        case Binary(_, operator) if operator in COMPARISONS:
            return [tree]
        case Unary(_, "not", operand):
            return _comparisons(operand)
        case _:
            return []


class _Band:
    """A deadband and the one comparison it belongs to, `comparison`, with its width in the unit compared there."""

    def __init__(self, checker: Checker, compared: list[Binary], deadband: str) -> None:
        self._checker = checker
        try:
            width, unit = split_quantity(deadband)
            source = read_unit(unit)
        except UnitError as error:
            raise FormulaError(str(error)) from None
        if not width >= 0:
            raise FormulaError(f"the deadband {deadband} is negative")
        fitting: list[tuple[Binary, float]] = []
        for comparison in compared:
            if comparison.operator not in _INVERSE:
                continue
            left = checker.check(comparison.left)
            try:
                fitting.append((comparison, width * difference_scale(source, left.unit)))
            except UnitError:
                continue
            if left.unit == read_unit("%") and not unit and width >= LARGEST_BARE_SHARE:
                raise FormulaError(f"the deadband {deadband} without a unit is {width * 100:g} %: write {width:g} %")
        if not fitting:
            raise FormulaError(
                f"the deadband {deadband} fits no comparison: it needs a <, <=, > or >= of the same kind"
            )
        if len(fitting) > 1:
            problem = f"the deadband {deadband} fits more than one comparison: make an alarm of each"
            raise FormulaError(problem, fitting[1][0].at)
        self.comparison, self._width = fitting[0]

    def clear(self, node: Node) -> Plan:
        """Where the condition `node` counts as gone."""
        if node is self.comparison:
            operator = self.comparison.operator
            sides = self._checker.check(self.comparison.left), self._checker.check(self.comparison.right)
            pair = cast(Pair, combine(node.at, operator, *sides).plan)
            limit = Pair("-" if operator in (">", ">=") else "+", pair.right, Constant(self._width))
            return Pair(_INVERSE[operator], pair.left, limit)
        if isinstance(node, Binary) and node.operator in ("and", "or"):
            either: PairKind = "or" if node.operator == "and" else "and"
            return Pair(either, self.clear(node.left), self.clear(node.right))
        if any(comparison is self.comparison for comparison in _comparisons(node)):
            raise FormulaError("a deadband under `not` reads backwards: turn the comparison round", node.at)
        return Single("not", truth(self._checker.check(node), "a condition"))


def _evidence(checker: Checker, compared: list[Binary], condition: Plan) -> tuple[str, ...]:
    first: tuple[str, ...] = ()
    for comparison in compared[:1]:
        first = inputs_of(checker.check(comparison.left).plan) or inputs_of(checker.check(comparison.right).plan)
    return tuple(dict.fromkeys((*first, *inputs_of(condition))))
