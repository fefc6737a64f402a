"""The set point of a condition, as a value: what is measured, how it is compared, and with which number.

A condition's text, its syntax tree and its constants come in; a `SetPoint` goes out. A limit that is worked out from
constants is folded into the one number it comes to, in the comparison and in the text alike.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import cast

from livewatch.profile.formula.check import Checker, combine
from livewatch.profile.formula.formula import SetPoint
from livewatch.profile.formula.plan import Pair, constant_of
from livewatch.profile.formula.syntax import COMPARISONS, Binary, Name, Node, Number, nodes_of

__all__ = ["set_point_of"]

_TURNED = {"<": ">", "<=": ">=", ">": "<", ">=": "<=", "==": "==", "!=": "!="}


def set_point_of(
    text: str, tree: Node, decides: Binary | None, checker: Checker, constants: Mapping[str, tuple[float, str]]
) -> SetPoint:
    """The set point of the condition `text`, whose tree is `tree`; `decides` is the comparison it is known by."""
    numbers: dict[tuple[int, int], str] = {}
    for node in nodes_of(tree):
        if isinstance(node, Binary) and node.operator in COMPARISONS:
            for side, place in ((node.left, node.left_place), (node.right, node.right_place)):
                typed = checker.check(side)
                number = constant_of(typed.plan)
                if number is not None and not isinstance(side, Number):
                    numbers[place] = _said(number, typed.shown)
        elif isinstance(node, Name) and node.name in constants:
            numbers[node.at, node.at + len(node.name)] = _said(*constants[node.name])
    whole = " ".join(_replaced(text, numbers).split())
    if decides is None:
        return SetPoint(whole)
    left, right = checker.check(decides.left), checker.check(decides.right)
    for measured, other, place, comparison in (
        (left, right, decides.left_place, decides.operator),
        (right, left, decides.right_place, _TURNED[decides.operator]),
    ):
        limit = constant_of(cast(Pair, combine(decides.at, comparison, measured, other).plan).right)
        if limit is not None and constant_of(measured.plan) is None:
            words = " ".join(text[slice(*place)].split())
            return SetPoint(whole, words, comparison, limit, measured.shown, decides is tree)
    return SetPoint(whole)


def _said(number: float, unit: str) -> str:
    return f"{number:.6g}" if unit == "1" else f"{number:.6g} {unit}"


def _replaced(text: str, numbers: Mapping[tuple[int, int], str]) -> str:
    """The text with numbers in their places; one within another is part of that."""
    pieces, done = [], 0
    for (start, end), number in sorted(numbers.items(), key=lambda item: (item[0][0], -item[0][1])):
        if start >= done:
            pieces += [text[done:start], number]
            done = end
    return "".join([*pieces, text[done:]])
