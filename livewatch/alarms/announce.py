"""From transitions to events, in order of data time.

The transitions of all alarms at one tick come in; their events come out, with what the event log promises of them: the
first-out mark, and for a raised alarm the values at that tick, what made it true and the seconds before. What is kept
of an alarm for the screen (since when, how often, why) is kept here.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from livewatch.alarms.lead_up import LeadUp, Seen
from livewatch.alarms.load import Load
from livewatch.alarms.machine import Machine, Transition, Trigger
from livewatch.alarms.state import RANK, AlarmDefinition
from livewatch.data.alarm_states import HIDDEN, STANDING, State
from livewatch.data.events import AlarmChanged, Event, Fact

__all__ = ["AlarmEventMaker", "Tracked"]

RARELY = 10_000_000_000
"""Data time, ns, between raises of one chattering alarm that carry the values of all channels and the seconds before;
those between say what made them true. (At five raises a second the log would grow by 400 MB an hour.)"""


@dataclass(slots=True)
class Tracked:
    """An alarm with its machine and its history: `since` and `raised_at` are data time in ns, `count` how often it was
    raised, `seen_at` when a raise last carried what all channels were, `reason` why a person hid it; `found` what was
    found when it was raised, for its message."""

    definition: AlarmDefinition
    machine: Machine
    since: int = 0
    raised_at: int | None = None
    count: int = 0
    seen_at: int | None = None
    first_out: bool = False
    reason: str = ""
    found: str = ""

    @property
    def message(self) -> str:
        """What is wrong, with what was found."""
        return self.definition.message + self.found


class AlarmEventMaker:
    """Holds which alarms of the profile stand together.

    First-out: of the alarms of the profile that stand together (condition holds, not hidden), the first one raised is
    marked; at one tick the higher priority, then the order of the profile decides. The next group begins with the first
    alarm raised after the conditions of all had gone or they were hidden. Lost channels take no part: one that is lost
    for a whole drive would leave no alarm to be the first.
    """

    def __init__(self, alarms: Sequence[Tracked], lead_up: LeadUp, load: Load) -> None:
        self._alarms = alarms
        self._lead_up = lead_up
        self._load = load
        self._together: set[int] = set()

    def tell(
        self,
        tick: int,
        time: int,
        utc: int,
        taken: Sequence[tuple[int, Transition]],
        until: float | None = None,
        reason: str = "",
    ) -> list[Event]:
        """The events of one tick.

        Args:
            tick, time, utc: where the values are taken from, and what the events are stamped with, ns.
            taken: position of the alarm, and its transition; in order of position.
            until, reason: what a person gave with the action behind the first transition, for its event; `until` in s.
        """
        self._choose_first_out(taken)
        events: list[Event] = []
        consequences: list[Event] = []
        seen: Seen | None = None
        for position, transition in taken:
            alarm = self._alarms[position]
            definition = alarm.definition
            consequences += self._counted(alarm, transition, time, utc)
            self._follow(position, transition)
            because: tuple[Fact, ...] | None = None
            told: Mapping[str, Any] = {}
            if transition.trigger is Trigger.HOLDS:
                because = self._lead_up.evidence(tick, definition.evidence)
                if alarm.seen_at is None or not self._load.chatters(definition.name) or time - alarm.seen_at >= RARELY:
                    seen = seen or self._lead_up.at(tick)
                    told = seen._asdict()
                    alarm.seen_at = time
            event = AlarmChanged(
                time=time,
                utc=utc,
                subject=definition.name,
                transition=transition.name,
                state=transition.state,
                was=transition.was,
                priority=definition.priority,
                first_out=alarm.first_out,
                setpoint=definition.setpoint.text,
                action=definition.action,
                message=alarm.message,
                until=until,
                reason=reason or None,
                because=because,
                **told,
            )
            until, reason = None, ""
            events.append(event)
            if transition.state is State.NORMAL or transition.state in HIDDEN:
                alarm.first_out = False
        # What is told of a flood or of chattering follows the alarms it comes from.
        return events + consequences

    def _counted(self, alarm: Tracked, transition: Transition, time: int, utc: int) -> list[Event]:
        """Keep count of a transition; what is to be told of a flood or of chattering since."""
        name, priority = alarm.definition.name, alarm.definition.priority
        alarm.since = time
        if transition.trigger is Trigger.HOLDS:
            alarm.raised_at = time
            alarm.count += 1
            return [replace(notice, utc=utc) for notice in self._load.raised(time, name, priority)]
        if transition.was in STANDING and transition.state not in STANDING:
            self._load.stands_no_more(time, name)
        return []

    def _choose_first_out(self, taken: Sequence[tuple[int, Transition]]) -> None:
        raised = [
            position
            for position, transition in taken
            if transition.trigger is Trigger.HOLDS and not self._alarms[position].definition.built_in
        ]
        if not raised:
            return
        for position in raised:
            self._alarms[position].first_out = False
        if not self._together:
            for alarm in self._alarms:
                alarm.first_out = False
            first = min(raised, key=lambda position: (RANK[self._alarms[position].definition.priority], position))
            self._alarms[first].first_out = True

    def _follow(self, position: int, transition: Transition) -> None:
        if self._alarms[position].definition.built_in:
            return
        if transition.state in STANDING:
            self._together.add(position)
        else:
            self._together.discard(position)
