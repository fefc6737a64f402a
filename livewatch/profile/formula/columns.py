"""What formulas give over a run of ticks, and what is done with it tick by tick.

`Numbers` are float64 with NaN for unknown, `Logic` is three-valued (Kleene): where it is true, and where it is false;
unknown elsewhere. Both hold either all ticks or one that stands for all of them. Whether everything is known, and where
logic is false, is worked out when it is first asked for: where all is known, most of it never is.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import numpy as np
from numpy.typing import NDArray

from livewatch.data.ticks import Span

__all__ = [
    "ARITHMETIC", "COMPARISONS", "PAIRS", "SINGLES", "Column", "Logic", "Mask", "Numbers", "as_logic", "as_numbers",
    "both", "choose", "choose_logic", "either", "scaled", "truth", "turned",
]  # fmt: skip

Column = NDArray[np.float64]
Mask = NDArray[np.bool_]


class Numbers:
    """A column of numbers; `whole` says beforehand that every one is known, None that nobody has looked.

    Attributes:
        span: what no value is below and above, where that is known of a column that is known throughout.
        logic: what the numbers were made of, if they are 1 for true and 0 for false.
    """

    __slots__ = ("_whole", "logic", "span", "values")

    def __init__(
        self, values: Column, whole: bool | None = None, span: Span | None = None, logic: Logic | None = None
    ) -> None:
        self.values = values
        self._whole = whole
        self.span = span
        self.logic = logic

    @property
    def whole(self) -> bool:
        """Whether every tick is known."""
        if self._whole is None:
            self._whole = not np.isnan(self.values.min(initial=np.inf))
        return self._whole

    def over(self, width: int) -> Numbers:
        """The same with each of `width` ticks."""
        return self if len(self.values) == width else Numbers(np.full(width, self.values[0]), self._whole)


class Logic:
    """A column of logic.

    Args:
        true: where it is true.
        sources: what it is known everywhere for sure with: all of them are.
        false: makes where it is false, asked once where not all sources are known.
    """

    __slots__ = ("_false", "_make", "_sources", "_whole", "true")

    def __init__(self, true: Mask, sources: tuple[Numbers | Logic, ...], false: Callable[[], Mask]) -> None:
        self.true = true
        self._sources = sources
        self._make = false
        self._whole: bool | None = None
        self._false: Mask | None = None

    @classmethod
    def given(cls, true: Mask, false: Mask, whole: bool = False) -> Logic:
        """Both columns as they are; `whole` where every tick is known for sure."""
        found = cls(true, (), lambda: false)
        found._whole, found._false = whole, false
        return found

    @property
    def whole(self) -> bool:
        """Whether every tick is known for sure."""
        if self._whole is None:
            self._whole = all(source.whole for source in self._sources)
        return self._whole

    @property
    def false(self) -> Mask:
        """Where it is false."""
        if self._false is None:
            self._false = ~self.true if self.whole else self._make()
        return self._false

    @property
    def unknown(self) -> Mask:
        """Where it is neither."""
        return np.zeros_like(self.true) if self.whole else ~(self.true | self.false)

    def over(self, width: int) -> Logic:
        """The same with each of `width` ticks."""
        if len(self.true) == width:
            return self
        return Logic.given(np.full(width, self.true[0]), np.full(width, self.false[0]), self.whole)


def scaled(scale: float, offset: float, column: Column) -> Column:
    """Another unit."""
    found: Column = column * scale
    found += offset
    return found


def as_numbers(logic: Logic) -> Numbers:
    """1 true, 0 false."""
    numbers: Column = logic.true.astype(np.float64)
    if logic.whole:
        return Numbers(numbers, True, (0.0, 1.0), logic)
    numbers[logic.unknown] = np.nan
    return Numbers(numbers, logic=logic)


def as_logic(operand: Numbers) -> Logic:
    """1 is true, 0 false, anything else unknown."""
    return Logic.given(operand.values == 1.0, operand.values == 0.0)


def truth(operand: Numbers) -> Logic:
    """Anything but 0 is true."""
    if operand.logic is not None:
        return operand.logic
    values = operand.values
    if operand.whole:
        return Logic(values != 0.0, (operand,), partial(np.equal, values, 0.0))
    return Logic.given((values < 0.0) | (values > 0.0), values == 0.0)


def turned(logic: Logic) -> Logic:
    """`not`."""
    return Logic(logic.false, (logic,), lambda: logic.true)


def both(left: Logic, right: Logic) -> Logic:
    """`and`."""
    return Logic(left.true & right.true, (left, right), lambda: left.false | right.false)


def either(left: Logic, right: Logic) -> Logic:
    """`or`."""
    return Logic(left.true | right.true, (left, right), lambda: left.false & right.false)


def choose(condition: Logic, chosen: Numbers, otherwise: Numbers) -> Numbers:
    """`chosen` where the condition is true, `otherwise` where it is false."""
    result = np.where(condition.true, chosen.values, otherwise.values)
    if condition.whole:
        return Numbers(result, True if chosen.whole and otherwise.whole else None)
    unknown = condition.unknown
    return Numbers(np.where(unknown, np.nan, result) if unknown.any() else result)


def choose_logic(condition: Logic, chosen: Logic, otherwise: Logic) -> Logic:
    """The same of logic."""
    return Logic(
        condition.true & chosen.true | condition.false & otherwise.true,
        (condition, chosen, otherwise),
        lambda: condition.true & chosen.false | condition.false & otherwise.false,
    )


def _compared(holds: np.ufunc, fails: np.ufunc, left: Numbers, right: Numbers) -> Logic:
    if left.span is not None and len(right.values) == 1:
        # Where it holds of both ends, or of neither, it is the same at every tick.
        ends = holds(left.span, right.values)
        if ends[0] == ends[1] and right.whole:
            return Logic.given(np.full(len(left.values), ends[0]), np.full(len(left.values), not ends[0]), True)
    return Logic(holds(left.values, right.values), (left, right), partial(fails, left.values, right.values))


def _equal(left: Numbers, right: Numbers) -> Logic:
    a, b = left.values, right.values
    return Logic(a == b, (left, right), lambda: (a < b) | (a > b))


def _settled(combine: np.ufunc, left: Numbers, right: Numbers) -> Numbers:
    # + 0.0 because the sign of the smaller of two zeros is left open, and may depend on the place in the column
    found: Column = combine(left.values, right.values)
    found += 0.0
    return Numbers(found)


def _changed(call: np.ufunc, operand: Numbers) -> Numbers:
    return Numbers(call(operand.values))


ARITHMETIC: dict[str, Callable[[Column, Column], Column]] = {
    "+": np.add,
    "-": np.subtract,
    "*": np.multiply,
    "/": np.divide,
}
"""What may leave the finite numbers: from columns to a column, to be looked at."""
SINGLES: dict[str, Callable[[Numbers], Numbers]] = {
    "-": partial(_changed, np.negative),
    "abs": partial(_changed, np.abs),
}
PAIRS: dict[str, Callable[[Numbers, Numbers], Numbers]] = {
    "min": partial(_settled, np.minimum),
    "max": partial(_settled, np.maximum),
}
COMPARISONS: dict[str, Callable[[Numbers, Numbers], Logic]] = {
    "<": partial(_compared, np.less, np.greater_equal),
    "<=": partial(_compared, np.less_equal, np.greater),
    ">": partial(_compared, np.greater, np.less_equal),
    ">=": partial(_compared, np.greater_equal, np.less),
    "==": _equal,
    "!=": lambda left, right: turned(_equal(left, right)),
}
