"""Gives every part of a formula its unit, and turns the syntax tree into a plan.

A tree and the units of the channels come in; a `Typed` plan goes out, every operand already in the unit of its
neighbour, or a `FormulaError` says what does not fit and where. The rules:

* Operands of `+ -`, comparisons, `min`, `max`, `when` must measure the same thing; the right one is converted to the
  unit of the left one. The same unit means no conversion, so that values are compared bit for bit.
* A percentage beside a plain number is converted by 100. A bare number of 2 or more there is refused: `trim > 10`
  would mean 1000 %.
* A temperature minus a temperature is a difference, in K; a temperature plus or minus a difference is a temperature.
  Products take temperatures as absolute, in K.
* An angle is a dimension of its own, and a turn is 360 deg: mass_air_flow / engine_speed is in g/rev. `/ 1 rev` drops
  the turn where turns are only counted: mass_air_flow / (engine_speed * engine.cylinders / 2 rev) is a mass.
* Logic is a plain number: 1 true, 0 false. A plain channel serves as a condition: anything but 0 is true.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, cast

from livewatch.errors import nearest
from livewatch.profile.formula.plan import (
    Age,
    Choice,
    Constant,
    Input,
    Pair,
    PairKind,
    Plan,
    Single,
    SingleKind,
    Window,
    WindowKind,
    scaled,
)
from livewatch.profile.formula.syntax import COMPARISONS, Binary, Call, FormulaError, Name, Node, Number, Unary
from livewatch.profile.units import (
    UnitError,
    conversion,
    difference_scale,
    is_temperature,
    parse_duration,
    read_unit,
    unit_text,
)

if TYPE_CHECKING:
    import pint

__all__ = ["Checker", "Typed", "in_unit"]

PLAIN = read_unit("1")
PERCENT = read_unit("%")
KELVIN = read_unit("K")
LONGEST_WINDOW = 600_000_000_000
"""Nanoseconds a window may look back: ten minutes, so that memory stays bounded."""
LARGEST_BARE_SHARE = 2.0


@dataclass(frozen=True, slots=True)
class Typed:
    """A plan with the unit of its values.

    Attributes:
        shown: the unit as it was written, for messages.
        logical: whether it is true or false rather than a number.
        bare: the number, where the formula has a number without a unit.
    """

    plan: Plan
    unit: pint.Unit
    at: int
    shown: str
    logical: bool = False
    bare: float | None = None

    @property
    def says(self) -> str:
        """What it is, in a message."""
        if self.logical:
            return "true or false"
        return "a plain number" if self.unit == PLAIN else self.shown


class Checker:
    """Checks one formula.

    Args:
        units: unit of every channel that exists.
        constants: value and unit of every dotted constant.
    """

    def __init__(self, units: Mapping[str, str], constants: Mapping[str, tuple[float, str]]) -> None:
        self._units = units
        self._constants = constants

    def check(self, node: Node) -> Typed:
        """The plan of `node`, with its unit."""
        match node:
            case Number(at, value, unit):
                return Typed(Constant(value), _unit(unit, at), at, unit or "1", bare=None if unit else value)
            case Name(at, name):
                return self._name(at, name)
            case Unary(at, "not", operand):
                return Typed(Single("not", truth(self.check(operand), "not")), PLAIN, at, "1", logical=True)
            case Unary(at, _, operand):
                typed = _no_temperature(self.check(operand), "the sign of")
                return replace(typed, plan=Single("-", typed.plan), at=at, logical=False, bare=None)
            case Binary(at, operator, left, right):
                return combine(at, operator, self.check(left), self.check(right))
            case Call(at, function, arguments):
                return self._call(at, function, arguments)

    def _name(self, at: int, name: str) -> Typed:
        if name in self._units:
            return Typed(Input(name), _unit(self._units[name], at), at, self._units[name])
        if name in self._constants:
            value, unit = self._constants[name]
            return Typed(Constant(value), _unit(unit, at), at, unit)
        if "." in name:
            raise FormulaError(f"unknown constant {name!r}{nearest(name, self._constants)}", at)
        raise FormulaError(f"unknown channel {name!r}{nearest(name, self._units)}", at, unknown=name)

    def _call(self, at: int, function: str, arguments: tuple[Node, ...]) -> Typed:
        if function in ("rate", "mean", "lowest", "highest", "hold", "recently"):
            return self._window(at, cast(WindowKind, function), *arguments)
        typed = [self.check(argument) for argument in arguments]
        if function == "age":
            if not isinstance(typed[0].plan, Input):
                raise FormulaError("age needs the name of a channel", typed[0].at)
            return Typed(Age(typed[0].plan.name), read_unit("s"), at, "s")
        if function == "abs":
            operand = _no_temperature(typed[0], "the absolute value of")
            return replace(operand, plan=Single("abs", operand.plan), at=at, bare=None)
        if function in ("lowest_so_far", "highest_so_far"):
            kind = cast(SingleKind, function)
            return replace(typed[0], plan=Single(kind, typed[0].plan), at=at, bare=None, logical=False)
        if function == "when":
            condition = truth(typed[0], "when")
            chosen, otherwise = _aligned(at, "choose between", typed[1], typed[2])
            both = chosen.logical and otherwise.logical
            plan = Choice(condition, chosen.plan, otherwise.plan)
            return replace(chosen, plan=plan, at=at, logical=both, bare=None)
        result = typed[0]
        for operand in typed[1:]:
            left, right = _aligned(at, f"take the {function} of", result, operand)
            result = replace(
                left, plan=Pair(cast(PairKind, function), left.plan, right.plan), at=at, logical=False, bare=None
            )
        return result

    def _window(self, at: int, kind: WindowKind, operand: Node, span: Node) -> Typed:
        typed = self.check(operand)
        nanoseconds = self._span(kind, span)
        if kind == "recently":
            return Typed(Window(kind, truth(typed, kind), nanoseconds), PLAIN, at, "1", logical=True)
        plan = Window(kind, typed.plan, nanoseconds)
        if kind != "rate":
            return replace(typed, plan=plan, at=at, bare=None, logical=typed.logical and kind == "hold")
        step = KELVIN if typed.unit == read_unit("degC") else typed.unit
        if is_temperature(step):
            step = read_unit(f"delta_{step}")
        unit = step / read_unit("s")
        return Typed(plan, unit, at, unit_text(unit))

    def _span(self, kind: str, node: Node) -> int:
        if not isinstance(node, Number) or not node.unit:
            raise FormulaError(f"{kind} needs a time written as a number, such as 0.5 s", node.at)
        try:
            span = parse_duration(f"{node.value!r} {node.unit}")
        except UnitError as error:
            raise FormulaError(str(error), node.at) from None
        if not 0 < span <= LONGEST_WINDOW:
            raise FormulaError(f"{kind} looks back more than 0 s and at most 10 min", node.at)
        return span


def truth(typed: Typed, word: str) -> Plan:
    """`typed` as a condition.

    Raises:
        FormulaError: it is a number with a unit, or a literal.
    """
    if typed.logical:
        return typed.plan
    if typed.unit != PLAIN or isinstance(typed.plan, Constant):
        raise FormulaError(f"{word} needs something true or false, found {typed.says}: compare it", typed.at)
    return Single("truth", typed.plan)


def combine(at: int, operator: str, left: Typed, right: Typed) -> Typed:
    """`left operator right`, checked."""
    if operator in ("and", "or"):
        plan = Pair(cast(PairKind, operator), truth(left, operator), truth(right, operator))
        return Typed(plan, PLAIN, at, "1", logical=True)
    if operator in ("*", "/"):
        return _product(at, operator, left, right)
    if operator in COMPARISONS:
        left, right = _aligned(at, "compare", left, right)
        return Typed(Pair(cast(PairKind, operator), left.plan, right.plan), PLAIN, at, "1", logical=True)
    return _sum(at, cast(PairKind, operator), left, right)


def in_unit(typed: Typed, unit: str) -> Plan:
    """The plan of `typed` with its values in `unit`.

    Raises:
        FormulaError: it does not convert.
    """
    target = _unit(unit, typed.at)
    if typed.logical and target != PLAIN:
        raise FormulaError(f"the result is true or false, which has unit 1, not {unit}", typed.at)
    if is_temperature(target) and not is_temperature(typed.unit) and typed.unit.dimensionality == KELVIN.dimensionality:
        raise FormulaError(f"the result is a temperature difference: its unit is K, not {unit}", typed.at)
    problem = f"the result is {typed.says}, which does not convert to {unit}"
    if set((typed.unit / target).dimensionality) == {"[angle]"}:
        problem += ": write `/ 1 rev` (or `* 1 rev`) where turns are counted"
    return _converted(typed, target, problem).plan


def _unit(text: str, at: int) -> pint.Unit:
    try:
        return read_unit(text)
    except UnitError as error:
        raise FormulaError(str(error), at) from None


def _converted(typed: Typed, target: pint.Unit, problem: str, shown: str = "") -> Typed:
    if typed.unit.dimensionality != target.dimensionality:
        raise FormulaError(problem, typed.at)
    scale, offset = conversion(typed.unit, target)
    return replace(typed, plan=scaled(typed.plan, scale, offset), unit=target, shown=shown or unit_text(target))


def _aligned(at: int, verb: str, left: Typed, right: Typed) -> tuple[Typed, Typed]:
    """Both operands in the unit of the left one."""
    _refuse_bare(left, right)
    _refuse_bare(right, left)
    both = left.unit.dimensionality == right.unit.dimensionality == KELVIN.dimensionality
    if both and is_temperature(left.unit) != is_temperature(right.unit):
        raise FormulaError(
            f"cannot {verb} {left.says} and {right.says}: one is a temperature, the other a difference. "
            "Write differences in K, temperatures in degC",
            at,
        )
    return left, _converted(right, left.unit, f"cannot {verb} {left.says} and {right.says}", left.shown)


def _refuse_bare(number: Typed, other: Typed) -> None:
    if number.bare is None or other.bare is not None:
        return
    if other.unit == PERCENT and abs(number.bare) >= LARGEST_BARE_SHARE:
        share = f"{number.bare * 100:g} %"
        raise FormulaError(f"{number.bare:g} without a unit is {share} here: write {number.bare:g} %", number.at)
    if not other.unit.dimensionless:
        raise FormulaError(f"{number.bare:g} has no unit: expected one such as {other.shown}", number.at)


def _sum(at: int, operator: PairKind, left: Typed, right: Typed) -> Typed:
    verb = "add" if operator == "+" else "subtract"
    left_point, right_point = is_temperature(left.unit), is_temperature(right.unit)
    result_unit, shown = left.unit, left.shown
    if left_point and right_point:
        if operator == "+":
            raise FormulaError("cannot add two temperatures: write a difference in K", at)
        right = _converted(right, left.unit, "")
        if left.unit == read_unit("degC"):
            result_unit, shown = KELVIN, "K"
        else:
            result_unit = read_unit(f"delta_{left.unit}")
            shown = unit_text(result_unit)
    elif left_point or right_point:
        point, step = (left, right) if left_point else (right, left)
        if right_point and operator == "-":
            raise FormulaError(f"cannot subtract a temperature from {left.says}", at)
        _refuse_bare(step, point)
        try:
            scale = difference_scale(step.unit, point.unit)
        except UnitError:
            raise FormulaError(f"cannot {verb} {left.says} and {right.says}", at) from None
        step = replace(step, plan=scaled(step.plan, scale, 0.0))
        left, right = (point, step) if left_point else (step, point)
        result_unit, shown = point.unit, point.shown
    else:
        left, right = _aligned(at, verb, left, right)
    return Typed(Pair(operator, left.plan, right.plan), result_unit, at, shown)


def _product(at: int, operator: str, left: Typed, right: Typed) -> Typed:
    left, right = _absolute(left), _absolute(right)
    if right.unit == PLAIN:
        unit = left.unit
    elif operator == "*" and left.unit == PLAIN:
        unit = right.unit
    elif operator == "/" and left.unit.dimensionality == right.unit.dimensionality:
        right = _converted(right, left.unit, "")
        unit = PLAIN
    else:
        # A percentage is a share of the other operand, not a unit of the product.
        left, right = _as_share(left), _as_share(right)
        unit = left.unit * right.unit if operator == "*" else left.unit / right.unit
    typed = Typed(Pair(cast(PairKind, operator), left.plan, right.plan), unit, at, unit_text(unit))
    return _converted(typed, PLAIN, "") if unit.dimensionless and unit not in (PLAIN, PERCENT) else typed


def _as_share(typed: Typed) -> Typed:
    return _converted(typed, PLAIN, "") if typed.unit.dimensionless else typed


def _absolute(typed: Typed) -> Typed:
    return _converted(typed, KELVIN, "") if is_temperature(typed.unit) else typed


def _no_temperature(typed: Typed, what: str) -> Typed:
    if is_temperature(typed.unit):
        raise FormulaError(f"{what} a temperature makes no sense: subtract another one first", typed.at)
    return typed
