"""The formula language: text to a syntax tree.

A formula is numbers with units (`20 kPa`), names of channels, dotted constants (`authority.knock_retard.high`),
`+ - * /`, comparisons, `and` `or` `not` and calls of functions. `parse` reads it with a parser of our own, never with
`eval`; what cannot be read raises `FormulaError` with the character it stumbled on. Units and names are checked later,
in `check`.

From loosest to tightest: `or`; `and`; `not`; one comparison; `+ -`; `* /`; unary `-`.
"""

from __future__ import annotations

import re
from collections.abc import Container, Iterator
from dataclasses import dataclass

from livewatch.errors import LivewatchError, nearest

__all__ = ["FUNCTIONS", "Binary", "Call", "FormulaError", "Name", "Node", "Number", "Unary", "nodes_of", "parse"]

LONGEST = 2000
"""Characters of a formula."""
DEEPEST = 100
"""Levels of the tree, so that no text can exhaust the stack."""
NESTED = 40
"""Parentheses, calls and signs within one another."""

FUNCTIONS: dict[str, tuple[int, int]] = {
    "abs": (1, 1),
    "age": (1, 1),
    "min": (2, 20),
    "max": (2, 20),
    "when": (3, 3),
    "rate": (2, 2),
    "mean": (2, 2),
    "lowest": (2, 2),
    "highest": (2, 2),
    "hold": (2, 2),
    "recently": (2, 2),
    "lowest_so_far": (1, 1),
    "highest_so_far": (1, 1),
}
"""Every function, with the fewest and the most arguments it takes."""

WORDS = ("and", "or", "not")
COMPARISONS = ("<", "<=", ">", ">=", "==", "!=")
_BINDING = {"or": 1, "and": 2, **dict.fromkeys(COMPARISONS, 4), "+": 5, "-": 5, "*": 6, "/": 6}
_NOT_BINDING = 3
_SIGN_BINDING = 7

_SPACE = re.compile(r"\s*")
_NUMBER = re.compile(r"(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?")
_NAME = re.compile(r"[A-Za-z_][A-Za-z0-9_]*(?:\.[A-Za-z_][A-Za-z0-9_]*)*")
_SIGN = re.compile(r"<=|>=|==|!=|[<>+\-*/(),]")
_UNIT_PIECE = re.compile(r"[A-Za-z%‰°µμΩλ][A-Za-z0-9%°µμΩ²³^_]*")


class FormulaError(LivewatchError):
    """A formula that cannot be read or makes no sense. `offset` is the 0-based character it is about; `unknown` the
    channel it names that does not exist, if that is what is wrong."""

    exit_code = 3

    def __init__(self, problem: str, offset: int = 0, unknown: str = "") -> None:
        self.problem = problem
        self.offset = offset
        self.unknown = unknown
        super().__init__(f"{problem} (at character {offset + 1} of the formula)")


@dataclass(frozen=True, slots=True)
class Number:
    """A literal; `unit` is empty where none was written."""

    at: int
    value: float
    unit: str
    depth: int = 1


@dataclass(frozen=True, slots=True)
class Name:
    """A channel or a dotted constant."""

    at: int
    name: str
    depth: int = 1


@dataclass(frozen=True, slots=True)
class Unary:
    """`-` or `not` before an operand."""

    at: int
    operator: str
    operand: Node
    depth: int


@dataclass(frozen=True, slots=True)
class Binary:
    """Arithmetic, comparison or logic between two operands; `at` is where the operator stands, `left_place` and
    `right_place` where the operands begin and end in the text."""

    at: int
    operator: str
    left: Node
    right: Node
    depth: int
    left_place: tuple[int, int] = (0, 0)
    right_place: tuple[int, int] = (0, 0)


@dataclass(frozen=True, slots=True)
class Call:
    """A function with its arguments."""

    at: int
    function: str
    arguments: tuple[Node, ...]
    depth: int


Node = Number | Name | Unary | Binary | Call


@dataclass(frozen=True, slots=True)
class _Token:
    kind: str
    """"number", "name", "sign" or "end"."""
    text: str
    at: int
    end: int
    unit: str = ""


def parse(text: str, names: Container[str]) -> Node:
    """The syntax tree of `text`. `names` are the channels: a name of one is never taken for a unit.

    Raises:
        FormulaError: the text is no formula.
    """
    if len(text) > LONGEST:
        raise FormulaError(f"the formula has {len(text)} characters: at most {LONGEST} are read", LONGEST)
    parser = _Parser(_tokens(text, names))
    tree = parser.expression(0, 0)
    parser.expect_end()
    return tree


def _tokens(text: str, names: Container[str]) -> list[_Token]:
    tokens = []
    position = 0
    while True:
        position = _skip(text, position)
        if position == len(text):
            tokens.append(_Token("end", "", position, position))
            return tokens
        if number := _NUMBER.match(text, position):
            unit, end = _unit_after(text, number.end(), names)
            tokens.append(_Token("number", number[0], position, end, unit))
            position = end
        elif name := _NAME.match(text, position):
            tokens.append(_Token("name", name[0], position, name.end()))
            position = name.end()
        elif sign := _SIGN.match(text, position):
            tokens.append(_Token("sign", sign[0], position, sign.end()))
            position = sign.end()
        elif text[position] == "=":
            raise FormulaError("a comparison is written ==", position)
        else:
            raise FormulaError(f"{text[position]!r} means nothing in a formula", position)


def _skip(text: str, position: int) -> int:
    match = _SPACE.match(text, position)
    return match.end() if match else position


def _unit_after(text: str, position: int, names: Container[str]) -> tuple[str, int]:
    """The unit written behind a number and where it ends: "g/s" in `600 g/s / x`; "" at `position` where none is."""
    start = _skip(text, position)
    piece = _UNIT_PIECE.match(text, start)
    if not piece or piece[0] in WORDS or _is_operand(text, piece, names):
        return "", position
    end = piece.end()
    while end < len(text) and text[end] in "*/·":
        piece = _UNIT_PIECE.match(text, end + 1)
        if not piece or _is_operand(text, piece, names):
            break
        end = piece.end()
    return text[start:end], end


def _is_operand(text: str, piece: re.Match[str], names: Container[str]) -> bool:
    after = text[piece.end() : piece.end() + 1]
    return piece[0] in names or after in ("(", ".")


class _Parser:
    """Reads tokens from left to right by binding strength; two frames of the stack for a level of nesting."""

    def __init__(self, tokens: list[_Token]) -> None:
        self._tokens = tokens
        self._next = 0

    def expression(self, binding: int, nested: int) -> Node:
        """The longest expression whose operators bind tighter than `binding`."""
        begin = self._tokens[self._next].at
        left = self._prefix(nested + 1)
        compared = False
        while True:
            token = self._tokens[self._next]
            strength = _BINDING.get(token.text, 0) if token.kind in ("sign", "name") else 0
            if strength <= binding:
                return left
            is_comparison = token.text in COMPARISONS
            if is_comparison and compared:
                raise FormulaError("comparisons do not chain: write a < b and b < c", token.at)
            compared = is_comparison or (compared and strength > _BINDING["<"])
            left_place = begin, self._tokens[self._next - 1].end
            self._next += 1
            right_begin = self._tokens[self._next].at
            right = self.expression(strength, nested + 1)
            right_place = right_begin, self._tokens[self._next - 1].end
            depth = _deeper(token.at, left, right)
            left = Binary(token.at, token.text, left, right, depth, left_place, right_place)

    def _prefix(self, nested: int) -> Node:
        token = self._tokens[self._next]
        if nested > NESTED:
            raise FormulaError(f"nested more than {NESTED} levels deep", token.at)
        self._next += 1
        if token.kind == "number":
            return Number(token.at, float(token.text), token.unit)
        if token.text == "-":
            operand = self.expression(_SIGN_BINDING, nested)
            if isinstance(operand, Number) and operand.value >= 0:
                return Number(token.at, -operand.value, operand.unit)  # so that -5 degC is a temperature
            return Unary(token.at, "-", operand, _deeper(token.at, operand))
        if token.text == "not":
            operand = self.expression(_NOT_BINDING, nested)
            return Unary(token.at, "not", operand, _deeper(token.at, operand))
        if token.text == "(":
            inner = self.expression(0, nested)
            self._expect(")", token)
            return inner
        if token.kind == "name" and token.text not in WORDS:
            if self._tokens[self._next].text == "(":
                return self._call(token, nested)
            if token.text in FUNCTIONS:
                raise FormulaError(f"the function {token.text} needs its arguments in parentheses", token.at)
            return Name(token.at, token.text)
        found = f"found {token.text!r}" if token.text else "the formula ends"
        raise FormulaError(f"expected a number, a channel or a function, {found}", token.at)

    def _call(self, name: _Token, nested: int) -> Node:
        if name.text not in FUNCTIONS:
            raise FormulaError(f"unknown function {name.text!r}{nearest(name.text, FUNCTIONS)}", name.at)
        opening = self._tokens[self._next]
        self._next += 1
        arguments = [self.expression(0, nested)]
        while self._tokens[self._next].text == ",":
            self._next += 1
            arguments.append(self.expression(0, nested))
        self._expect(")", opening)
        fewest, most = FUNCTIONS[name.text]
        if not fewest <= len(arguments) <= most:
            wanted = str(fewest) if fewest == most else f"{fewest} to {most}"
            raise FormulaError(f"{name.text} takes {wanted} arguments, found {len(arguments)}", name.at)
        return Call(name.at, name.text, tuple(arguments), _deeper(name.at, *arguments))

    def _expect(self, text: str, opening: _Token) -> None:
        token = self._tokens[self._next]
        if token.text != text:
            found = f"found {token.text!r}" if token.text else "the formula ends"
            raise FormulaError(f"expected {text!r} for the {opening.text!r} before it, {found}", token.at)
        self._next += 1

    def expect_end(self) -> None:
        """Nothing may be left over."""
        token = self._tokens[self._next]
        if token.kind != "end":
            raise FormulaError(f"expected an operator, found {token.text!r}", token.at)


def nodes_of(tree: Node) -> Iterator[Node]:
    """The tree and everything in it, in the order it is written."""
    match tree:
        case Binary(_, _, left, right):
            yield from nodes_of(left)
            yield tree
            yield from nodes_of(right)
        case Unary(_, _, operand):
            yield tree
            yield from nodes_of(operand)
        case Call(_, _, arguments):
            yield tree
            for argument in arguments:
                yield from nodes_of(argument)
        case _:
            yield tree


def _deeper(at: int, *nodes: Node) -> int:
    depth = 1 + max(node.depth for node in nodes)
    if depth > DEEPEST:
        raise FormulaError(f"more than {DEEPEST} operations build on one another", at)
    return depth
