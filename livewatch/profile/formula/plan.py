"""What a checked formula does, step by step, units gone: the nodes that `run` executes on columns.

Every value is float64 with NaN for unknown; logic is 1.0 true, 0.0 false, NaN unknown (Kleene). Nodes are immutable
and compare by content, so that two formulas that do the same are equal and a repeated part is computed once.
"""

from __future__ import annotations

import operator
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Literal

__all__ = [
    "Age",
    "Choice",
    "Constant",
    "Input",
    "Pair",
    "Plan",
    "Scaled",
    "Single",
    "Window",
    "constant_of",
    "inputs_of",
    "reach_of",
    "scaled",
]

PairKind = Literal["+", "-", "*", "/", "<", "<=", ">", ">=", "==", "!=", "and", "or", "min", "max"]
SingleKind = Literal["-", "abs", "not", "truth", "lowest_so_far", "highest_so_far"]
WindowKind = Literal["rate", "mean", "lowest", "highest", "hold", "recently"]


@dataclass(frozen=True, slots=True)
class Input:
    """The column of a channel."""

    name: str


@dataclass(frozen=True, slots=True)
class Age:
    """Seconds since the value that a channel holds was received; 0 for a channel that is computed."""

    name: str


@dataclass(frozen=True, slots=True)
class Constant:
    """The same number at every tick."""

    value: float


@dataclass(frozen=True, slots=True)
class Scaled:
    """operand * scale + offset: a change of unit."""

    operand: Plan
    scale: float
    offset: float


@dataclass(frozen=True, slots=True)
class Single:
    """One operand: sign, absolute value, `not`, `truth` (anything but 0 is true), the extreme since the first tick."""

    kind: SingleKind
    operand: Plan


@dataclass(frozen=True, slots=True)
class Pair:
    """Two operands in the same unit."""

    kind: PairKind
    left: Plan
    right: Plan


@dataclass(frozen=True, slots=True)
class Choice:
    """`chosen` where the condition is true, `otherwise` where it is false, unknown where it is unknown."""

    condition: Plan
    chosen: Plan
    otherwise: Plan


@dataclass(frozen=True, slots=True)
class Window:
    """A look back over `span` nanoseconds of data time."""

    kind: WindowKind
    operand: Plan
    span: int


Plan = Input | Age | Constant | Scaled | Single | Pair | Choice | Window


_FOLDED: dict[str, Callable[[float, float], float]] = {
    "+": operator.add,
    "-": operator.sub,
    "*": operator.mul,
    "/": operator.truediv,
    "min": min,
    "max": max,
}


def scaled(plan: Plan, scale: float, offset: float) -> Plan:
    """`plan` in another unit; nothing at all for the same unit, so that values stay bit for bit."""
    if (scale, offset) == (1.0, 0.0):
        return plan
    if isinstance(plan, Constant):
        return Constant(plan.value * scale + offset)
    return Scaled(plan, scale, offset)


def parts_of(plan: Plan) -> tuple[Plan, ...]:
    """The operands of one node, left to right."""
    match plan:
        case Input() | Age() | Constant():
            return ()
        case Pair(_, left, right):
            return (left, right)
        case Choice(condition, chosen, otherwise):
            return (condition, chosen, otherwise)
        case Scaled() | Single() | Window():
            return (plan.operand,)


def constant_of(plan: Plan) -> float | None:
    """The number that sums, products and signs of constants come to; None where anything else has a part in it, or
    where there is no such number."""
    match plan:
        case Constant(value):
            return value
        case Scaled(operand, scale, offset):
            number = constant_of(operand)
            return None if number is None else number * scale + offset
        case Single("-" | "abs" as kind, operand):
            number = constant_of(operand)
            return None if number is None else -number if kind == "-" else abs(number)
        case Pair("+" | "-" | "*" | "/" | "min" | "max" as kind, left, right):
            numbers = constant_of(left), constant_of(right)
            if numbers[0] is None or numbers[1] is None or (kind == "/" and not numbers[1]):
                return None
            return _FOLDED[kind](numbers[0], numbers[1])
    return None


def inputs_of(plan: Plan) -> tuple[str, ...]:
    """The channels read, each once, in the order they are written."""
    return tuple(dict.fromkeys(_walk_inputs(plan)))


def _walk_inputs(plan: Plan) -> Iterator[str]:
    if isinstance(plan, Input | Age):
        yield plan.name
    for part in parts_of(plan):
        yield from _walk_inputs(part)


def reach_of(plan: Plan) -> int:
    """Nanoseconds of history that the value of one tick depends on."""
    own = plan.span if isinstance(plan, Window) else 0
    return own + max((reach_of(part) for part in parts_of(plan)), default=0)
