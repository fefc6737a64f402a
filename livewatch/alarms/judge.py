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
from livewatch.profile.formula.formula import Formula, FormulaRun
from livewatch.profile.model import Alarm, Profile

__all__ = ["Judge"]


class Judge:
    """Follows the condition of one alarm, whatever the state of the alarm."""

    def __init__(self, alarm: Alarm, profile: Profile) -> None:
        def start(formula: Formula | None) -> FormulaRun | None:
            return None if formula is None else formula.start(profile.index, profile.period)

        self._condition = alarm.condition.start(profile.index, profile.period)
        self._clear = alarm.clear.start(profile.index, profile.period)
        self._enable = start(alarm.enable)
        self._suppress = start(alarm.suppress)
        self._delay = Delay(alarm.on_delay, alarm.off_delay, profile.period)
        self._suppressed = False
        self._unknown = True

    @property
    def cannot_judge(self) -> bool:
        """Whether what decides the next change of the alarm was unknown at the latest tick."""
        return self._unknown

    @property
    def undefined(self) -> int:
        """Ticks so far at which all inputs were known but a formula had no value (a division by zero, for example).
        Those of `clear` are those of `condition`."""
        return sum(run.undefined for run in (self._condition, self._enable, self._suppress) if run is not None)

    def take(self, ticks: TickBatch) -> tuple[Edges, Edges]:
        """The changes of active and of suppressed over the next ticks."""
        condition = self._condition.evaluate(ticks.value, ticks.first)
        clear = self._clear.evaluate(ticks.value, ticks.first)
        enable = None if self._enable is None else self._enable.evaluate(ticks.value, ticks.first)
        holds: NDArray[np.bool_] = condition == 1.0
        if enable is not None:
            holds &= enable == 1.0

        def gone() -> NDArray[np.bool_]:
            cleared: NDArray[np.bool_] = clear == 1.0
            if enable is not None:
                cleared |= enable == 0.0
            cleared &= ~holds
            return cleared

        active = self._delay.take(ticks.first, holds, gone)
        enabled = 1.0 if enable is None else enable[-1]
        if self._delay.active:
            self._unknown = _unknown(1.0 - clear[-1], enabled)
        else:
            self._unknown = _unknown(condition[-1], enabled)
        return active, self._suppression(ticks)

    def _suppression(self, ticks: TickBatch) -> Edges:
        if self._suppress is None:
            return []
        column = self._suppress.evaluate(ticks.value, ticks.first)
        if not (column == (0.0 if self._suppressed else 1.0)).any():
            return []
        known = np.flatnonzero(~np.isnan(column))
        level = column[known] == 1.0
        before = np.concatenate(([self._suppressed], level[:-1]))
        changes = np.flatnonzero(level != before)
        self._suppressed = bool(level[-1])
        return [(ticks.first + int(known[i]), bool(level[i])) for i in changes]


def _unknown(condition: float, enabled: float) -> bool:
    """Whether `condition and enabled` is unknown."""
    if condition == 0.0 or enabled == 0.0:
        return False
    return bool(np.isnan(condition) or np.isnan(enabled))
