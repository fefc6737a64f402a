"""From the formulas of one alarm to the changes of its two levels, active and suppressed.

In three-valued logic (Kleene): the condition holds where `condition` and `enable` are true; it is gone where `clear` is
true or `enable` false; elsewhere (deadband, or something unknown) the alarm keeps its state and its delays start anew.
An unknown `enable` is neither: an alarm whose enabling channel is lost keeps its state. An unknown `suppress` keeps the
alarm suppressed or not, as it was.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from livewatch.alarms.delay import Delay, Edges
from livewatch.data.ticks import TickBatch
from livewatch.profile.formula.columns import Logic, turned
from livewatch.profile.formula.formula import Formula
from livewatch.profile.formula.run import ConditionRun, Program
from livewatch.profile.model import Alarm, Profile

__all__ = ["ConditionWatch"]


class ConditionWatch:
    """Follows the condition of one alarm, whatever the state of the alarm."""

    def __init__(self, alarm: Alarm, profile: Profile, program: Program) -> None:
        def start(formula: Formula | None) -> ConditionRun | None:
            return None if formula is None else program.start_condition(formula.plan)

        self._condition = program.start_condition(alarm.condition.plan)
        self._enable = start(alarm.enable)
        # Matters only while the alarm is active, which most are nearly never.
        self._clear = program.start_condition(alarm.clear.plan, seldom=True)
        self._suppress = start(alarm.suppress)
        self._delay = Delay(alarm.on_delay, alarm.off_delay, profile.period)
        self._suppressed = False
        self._unknown = True

    @property
    def cannot_judge(self) -> bool:
        """Whether what decides the next change of the alarm was unknown at the latest tick."""
        return self._unknown

    def observe(self, ticks: TickBatch) -> tuple[Edges, Edges]:
        """The changes of active and of suppressed over the next ticks."""
        condition = self._condition.truth(ticks.value, ticks.first)
        enable = None if self._enable is None else self._enable.truth(ticks.value, ticks.first)
        holds: NDArray[np.bool_] = condition.true if enable is None else condition.true & enable.true

        def clear() -> Logic:
            return self._clear.truth(ticks.value, ticks.first)

        def gone() -> NDArray[np.bool_]:
            return (clear().true if enable is None else clear().true | enable.false) & ~holds

        if self._clear.is_always:
            clear()
        active = self._delay.observe(ticks.first, holds, gone)
        decides = turned(clear()) if self._delay.active else condition
        if enable is None:
            self._unknown = not (decides.true[-1] or decides.false[-1])
        else:
            self._unknown = not ((decides.true[-1] and enable.true[-1]) or decides.false[-1] or enable.false[-1])
        return active, self._suppression(ticks)

    def _suppression(self, ticks: TickBatch) -> Edges:
        if self._suppress is None:
            return []
        suppress = self._suppress.truth(ticks.value, ticks.first)
        if not (suppress.false if self._suppressed else suppress.true).any():
            return []
        known = np.flatnonzero(suppress.true | suppress.false)
        level = suppress.true[known]
        before = np.concatenate(([self._suppressed], level[:-1]))
        changes = np.flatnonzero(level != before)
        self._suppressed = bool(level[-1])
        return [(ticks.first + int(known[i]), bool(level[i])) for i in changes]
