"""All alarms of a profile together.

Ticks and a person's actions come in; events come out in order of tick and, at one tick, lost channels first, then the
alarms in the order of the profile, silent buses, alarms of lost channels, buses with other frames only, and what the
sum of them means (chattering, flood). Where nothing happens, the cost is that of the formulas and a few comparisons of
whole columns; only change points are walked. What comes out depends on the ticks and on the ticks at which actions were
given, never on how the ticks were cut.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Final

import numpy as np

from livewatch.alarms.announce import AlarmEventMaker, Tracked
from livewatch.alarms.condition import ConditionWatch
from livewatch.alarms.lead_up import LeadUp
from livewatch.alarms.load import Load, LoadFigures
from livewatch.alarms.loss import LossWatch
from livewatch.alarms.machine import TRANSITIONS, Machine, Transition, Trigger
from livewatch.alarms.other_frames import OtherFrames
from livewatch.alarms.state import AlarmDefinition, AlarmState
from livewatch.data.actions import Action
from livewatch.data.alarm_states import UNACKNOWLEDGED, State
from livewatch.data.events import Event
from livewatch.data.ticks import TickBatch
from livewatch.errors import LivewatchError, nearest
from livewatch.profile.formula.run import Program
from livewatch.profile.model import Profile

__all__ = ["ActionError", "AlarmSystem"]

_TRIGGERS: Final = {
    trigger.value: trigger
    for trigger in (Trigger.ACKNOWLEDGE, Trigger.SHELVE, Trigger.UNSHELVE, Trigger.REMOVE, Trigger.RETURN)
}


class ActionError(LivewatchError):
    """An action names no alarm, lacks something, or makes no sense in the state the alarm is in. Nothing changed."""


class AlarmSystem:
    """Watches the alarms of a profile, and its channels for being lost.

    Let it `observe` every `TickBatch`, computed channels filled in; `apply` what a person did; ask `states` for the
    screen and `figures` for the load on a person. `program` holds the formulas that run over the same ticks;
    `other_frames` is to hear the frames before their ticks are observed.
    """

    def __init__(self, profile: Profile, program: Program | None = None) -> None:
        self._profile = profile
        shared = Program(profile.index, profile.period) if program is None else program
        self._program = shared
        self._conditions = [ConditionWatch(alarm, profile, shared) for alarm in profile.alarms]
        self.other_frames = OtherFrames()
        self._loss = LossWatch(profile, self.other_frames)
        definitions = [*map(AlarmDefinition.of, profile.alarms), *self._loss.definitions]
        self._alarms = [Tracked(definition, Machine(definition.latching)) for definition in definitions]
        self._position = {definition.name: position for position, definition in enumerate(definitions)}
        self._lead_up = LeadUp(profile)
        self._load = Load(profile.period)
        self._announcer = AlarmEventMaker(self._alarms, self._lead_up, self._load)
        self._units = {channel.name: channel.unit for channel in profile.channels}
        self._stop = 0

    def expect_frames(self, frames: bool) -> None:
        """Whether the run receives frames, and so misses a channel that never comes; it does until told otherwise."""
        self._loss.frames = frames

    def observe(self, ticks: TickBatch) -> list[Event]:
        """Watch the next ticks, which follow on those taken before."""
        if not len(ticks):
            return []
        first, period = ticks.first, ticks.period
        self._stop = first + len(ticks)
        self._program.begin(ticks.value, ticks.first, ticks.age)
        self._lead_up.observe(ticks)
        found: dict[int, list[tuple[int, Transition]]] = {}
        own = len(self._conditions)
        losses = self._loss.observe(ticks)
        with np.errstate(all="ignore"):
            judged = [condition.observe(ticks) for condition in self._conditions]
        for position, alarm in enumerate(self._alarms):
            if position < own:
                active, suppressed = judged[position]
            else:
                active = losses.active.get(position - own, [])
                suppressed = losses.suppressed.get(position - own, [])
            if active or suppressed or alarm.machine.state is State.SHELVED:
                for tick, transition in alarm.machine.walk(first, self._stop, period, active, suppressed):
                    found.setdefault(tick, []).append((position, transition))
        lost: dict[int, list[Event]] = {}
        for tick, event in losses.events:
            lost.setdefault(tick, []).append(event)
        events: list[Event] = []
        for tick in sorted(found.keys() | lost.keys()):
            events.extend(_stamped(self._load.passed((tick - 1) * period), ticks))
            events.extend(lost.get(tick, ()))
            if tick in found:
                for position, _ in found[tick]:
                    self._alarms[position].found = losses.found.get(
                        (tick, position - own), self._alarms[position].found
                    )
                events.extend(self._announcer.tell(tick, tick * period, int(ticks.utc[tick - first]), found[tick]))
        events.extend(_stamped(self._load.passed((self._stop - 1) * period), ticks))
        self._lead_up.keep()
        return events

    def apply(self, action: Action, time: int, utc: int) -> list[Event]:
        """Do what a person asked for, at data time `time` (ns), the source's clock being at `utc` (ns).

        Raises:
            ActionError: no such alarm, something missing, or no sense in the alarm's state; nothing changed.
        """
        if action.kind == "acknowledge_all":
            return self._acknowledge_all(time, utc)
        trigger = _TRIGGERS.get(action.kind)
        if trigger is None:
            raise ActionError(f"an alarm knows no action {action.kind!r}")
        if action.subject not in self._position:
            hint = nearest(action.subject, self._position)
            raise ActionError(f"no alarm is called {action.subject!r}{hint}")
        position = self._position[action.subject]
        alarm = self._alarms[position]
        _check(action, trigger, alarm.machine.state)
        until = None
        if trigger is Trigger.SHELVE:
            alarm.machine.shelved_until = time + action.duration
            until = round(alarm.machine.shelved_until / 1e9, 6)
        taken = alarm.machine.apply(trigger, time)
        alarm.reason = action.text if trigger in (Trigger.SHELVE, Trigger.REMOVE) else ""
        transitions = [(position, transition) for transition in taken]
        return self._announcer.tell(self._stop - 1, time, utc, transitions, until, action.text)

    def states(self) -> tuple[AlarmState, ...]:
        """How every alarm stands at the latest tick: those of the profile in its order, then silent buses, lost
        channels and buses with other frames only. Sort by `AlarmState.urgency` for the screen."""
        return tuple(self._state(position, alarm) for position, alarm in enumerate(self._alarms))

    def figures(self) -> LoadFigures:
        """The load on a person so far."""
        return self._load.figures(max(0, self._stop - 1) * self._profile.period)

    def _acknowledge_all(self, time: int, utc: int) -> list[Event]:
        """Acknowledge whatever is unacknowledged. Latched alarms that were acknowledged are left: taking one of them
        back is a decision about that alarm alone."""
        taken = [
            (position, transition)
            for position, alarm in enumerate(self._alarms)
            if alarm.machine.state in UNACKNOWLEDGED
            for transition in alarm.machine.apply(Trigger.ACKNOWLEDGE, time)
        ]
        if not taken:
            raise ActionError("there is nothing to acknowledge: no alarm is unacknowledged")
        return self._announcer.tell(self._stop - 1, time, utc, taken)

    def _state(self, position: int, alarm: Tracked) -> AlarmState:
        definition, machine = alarm.definition, alarm.machine
        channel = definition.evidence[0] if definition.evidence else ""
        hidden = machine.state in (State.SHELVED, State.OUT_OF_SERVICE)
        return AlarmState(
            name=definition.name,
            priority=definition.priority,
            state=machine.state,
            since=alarm.since,
            raised_at=alarm.raised_at,
            count=alarm.count,
            first_out=alarm.first_out,
            acknowledged=machine.state not in UNACKNOWLEDGED,
            shelved_until=machine.shelved_until if machine.state is State.SHELVED else None,
            reason=alarm.reason if hidden else "",
            channel=channel,
            value=self._lead_up.value(channel),
            unit=self._units.get(channel, ""),
            cannot_judge=position < len(self._conditions) and self._conditions[position].cannot_judge,
            setpoint=definition.setpoint,
            action=definition.action,
            message=alarm.message,
            built_in=definition.built_in,
        )


def _check(action: Action, trigger: Trigger, state: State) -> None:
    """Make sure that an action makes sense in a state."""
    words = trigger.value.replace("_", " ")
    right = [transition.was for transition in TRANSITIONS if transition.trigger is trigger]
    if state not in right:
        states = ", ".join(right)
        raise ActionError(f"cannot {words} {action.subject!r}: its state is {state}, and that takes one of: {states}")
    if trigger is Trigger.SHELVE and action.duration <= 0:
        given = f"{action.duration / 1e9:g} s"
        raise ActionError(f"cannot shelve {action.subject!r} for {given}: expected a time longer than 0 s")
    if trigger is Trigger.REMOVE and not action.text.strip():
        raise ActionError(f"cannot remove {action.subject!r} from service without a reason: expected a text")


def _stamped(events: Iterable[Event], ticks: TickBatch) -> list[Event]:
    """The same, with the source's clock at their ticks."""
    return [replace(event, utc=int(ticks.utc[event.time // ticks.period - ticks.first])) for event in events]
