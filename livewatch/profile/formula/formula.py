"""What a text becomes: a formula, checked and ready to run over ticks, and the set point of a condition.

`compile` and `set_point` make them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from livewatch.profile.formula.plan import Plan

if TYPE_CHECKING:
    from livewatch.profile.formula.run import FormulaRun

__all__ = ["Formula", "SetPoint"]


@dataclass(frozen=True, slots=True)
class Formula:
    """A checked formula.

    Attributes:
        text: as it was written.
        unit: of the result; "1" for logic (1.0 true, 0.0 false, NaN unknown).
        inputs: names of the channels it reads.
        reach: nanoseconds of history its windows need.
        plan: what it does.
    """

    text: str
    unit: str
    inputs: tuple[str, ...]
    reach: int
    plan: Plan

    def start(self, index: Mapping[str, int], period: int) -> FormulaRun:
        """Begin a run by itself over ticks `period` nanoseconds apart; `index` maps channel name to row of the values.
        Formulas that run together are added to one `Program`."""
        from livewatch.profile.formula.run import Program  # late: brings numpy

        return Program(index, period).start(self.plan, alone=True)


@dataclass(frozen=True, slots=True)
class SetPoint:
    """What makes an alarm true.

    Attributes:
        text: all of it, in the language of formulas with constants replaced by their values, or in words.
        measured: the channel or expression of the comparison that decides; empty where there is none with a number.
        comparison: `<`, `<=`, `>`, `>=`, `==` or `!=`.
        limit: the number compared with, in `unit`, which is that of what is measured; None where there is none.
        alone: whether this comparison is the whole condition.
    """

    text: str
    measured: str = ""
    comparison: str = ""
    limit: float | None = None
    unit: str = ""
    alone: bool = False

    def __str__(self) -> str:
        return self.text
