"""What an alarm is, and how it stands: the two records that the alarm system shows to the rest of livewatch."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from livewatch.data.alarm_states import HIDDEN, PRIORITIES, UNACKNOWLEDGED, Priority, State
from livewatch.profile.formula.formula import SetPoint
from livewatch.profile.model import Alarm

__all__ = ["AlarmDefinition", "AlarmState", "State"]

RANK: Final = {priority: rank for rank, priority in enumerate(PRIORITIES)}


@dataclass(frozen=True, slots=True)
class AlarmDefinition:
    """An alarm, the profile's or a built-in one, without the formulas that judge it.

    Attributes:
        setpoint: what makes it true.
        evidence: channels to show as what made it true, most telling first.
        built_in: a lost channel or a silent bus rather than an alarm of the profile.
    """

    name: str
    priority: Priority
    latching: bool
    setpoint: SetPoint
    evidence: tuple[str, ...]
    action: str
    message: str
    built_in: bool = False

    @classmethod
    def of(cls, alarm: Alarm) -> AlarmDefinition:
        """The definition of an alarm of the profile."""
        return cls(
            alarm.name,
            alarm.priority,
            alarm.latching,
            alarm.setpoint,
            alarm.evidence,
            alarm.action,
            alarm.message,
        )


@dataclass(frozen=True, slots=True)
class AlarmState:
    """How one alarm stands at the latest tick, for the screen.

    Attributes:
        name, priority, setpoint, action, message: from its definition.
        state: where it is in the state diagram.
        since: data time of the latest change of state, ns; 0 when there was none.
        raised_at: data time at which it was raised last, ns; None when it never was.
        count: how often it was raised.
        first_out: whether it was the first of the alarms that stand together.
        acknowledged: False while somebody has yet to answer.
        shelved_until: data time at which shelving ends, ns; None when it is not shelved.
        reason: why it is shelved or out of service; empty otherwise.
        channel, value, unit: the first channel of its evidence, that channel's value at the latest tick (None when
            unknown) and its unit; empty without evidence.
        cannot_judge: the condition is unknown at the latest tick, a channel being lost for example: the alarm keeps its
            state and must not be taken for all clear.
        built_in: a lost channel or a silent bus rather than an alarm of the profile.
    """

    name: str
    priority: Priority
    state: State
    since: int
    raised_at: int | None
    count: int
    first_out: bool
    acknowledged: bool
    shelved_until: int | None
    reason: str
    channel: str
    value: float | None
    unit: str
    cannot_judge: bool
    setpoint: SetPoint
    action: str
    message: str
    built_in: bool

    @property
    def urgency(self) -> tuple[int, int, bool, int]:
        """Sort key, most urgent first: unacknowledged before acknowledged before hidden before normal, then by
        priority, the first-out before the others, the one raised earlier first (so that a line on the screen keeps
        its place while more alarms come in)."""
        if self.state in UNACKNOWLEDGED:
            group = 0
        elif self.state is State.NORMAL:
            group = 3
        else:
            group = 2 if self.state in HIDDEN else 1
        return group, RANK[self.priority], not self.first_out, self.raised_at or 0
