"""The alarm state machine of ANSI/ISA-18.2-2016, for one alarm.

Change points of two levels come in (the alarm is active: its condition has held for the on-delay and has not been gone
for the off-delay since; it is suppressed: its suppressing condition is true), and a person's actions; transitions come
out, each from `TRANSITIONS`, which holds every one there is. The levels are followed in every state, announced or not,
so that an alarm taken out of a hidden state (shelved, suppressed by design, out of service) is raised anew when its
condition holds then.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from livewatch.data.alarm_states import HIDDEN, STANDING, State

__all__ = ["TRANSITIONS", "Machine", "Transition", "Trigger"]


class Trigger(StrEnum):
    """What makes an alarm change its state. Those a person gives have the words of `actions.ActionKind`."""

    HOLDS = "the condition has held for the on-delay"
    GONE = "the condition has been gone for the off-delay"
    GONE_LATCHING = "the condition of a latching alarm has been gone for the off-delay"
    SUPPRESS = "the suppressing condition is true"
    UNSUPPRESS = "the suppressing condition is false"
    TIME_OVER = "the time it was shelved for is over"
    ACKNOWLEDGE = "acknowledge"
    SHELVE = "shelve"
    UNSHELVE = "unshelve"
    REMOVE = "remove_from_service"
    RETURN = "return_to_service"


@dataclass(frozen=True, slots=True)
class Transition:
    """From the state `was` to the state `state`; `name` is the word in the event log."""

    name: str
    was: State
    state: State
    trigger: Trigger

    def __str__(self) -> str:
        return f"{self.name}: {self.was} -> {self.state}"


_VISIBLE: Final = tuple(state for state in State if state not in HIDDEN)

TRANSITIONS: Final[tuple[Transition, ...]] = (
    # The condition.
    Transition("raised", State.NORMAL, State.UNACKNOWLEDGED, Trigger.HOLDS),
    Transition("raised", State.RETURNED, State.UNACKNOWLEDGED, Trigger.HOLDS),
    Transition("raised", State.LATCHED_UNACKNOWLEDGED, State.UNACKNOWLEDGED, Trigger.HOLDS),
    Transition("raised", State.LATCHED_ACKNOWLEDGED, State.UNACKNOWLEDGED, Trigger.HOLDS),
    Transition("returned to normal", State.UNACKNOWLEDGED, State.RETURNED, Trigger.GONE),
    Transition("returned to normal", State.ACKNOWLEDGED, State.NORMAL, Trigger.GONE),
    Transition("latched", State.UNACKNOWLEDGED, State.LATCHED_UNACKNOWLEDGED, Trigger.GONE_LATCHING),
    Transition("latched", State.ACKNOWLEDGED, State.LATCHED_ACKNOWLEDGED, Trigger.GONE_LATCHING),
    # The person. Acknowledging a latched acknowledged alarm is the reset of the standard.
    Transition("acknowledged", State.UNACKNOWLEDGED, State.ACKNOWLEDGED, Trigger.ACKNOWLEDGE),
    Transition("acknowledged", State.RETURNED, State.NORMAL, Trigger.ACKNOWLEDGE),
    Transition("acknowledged", State.LATCHED_UNACKNOWLEDGED, State.LATCHED_ACKNOWLEDGED, Trigger.ACKNOWLEDGE),
    Transition("reset", State.LATCHED_ACKNOWLEDGED, State.NORMAL, Trigger.ACKNOWLEDGE),
    # Hidden by a person for a time.
    *(Transition("shelved", state, State.SHELVED, Trigger.SHELVE) for state in (*_VISIBLE, State.SUPPRESSED)),
    Transition("unshelved", State.SHELVED, State.NORMAL, Trigger.UNSHELVE),
    Transition("shelving ended", State.SHELVED, State.NORMAL, Trigger.TIME_OVER),
    # Hidden by the profile.
    *(Transition("suppressed", state, State.SUPPRESSED, Trigger.SUPPRESS) for state in _VISIBLE),
    Transition("no longer suppressed", State.SUPPRESSED, State.NORMAL, Trigger.UNSUPPRESS),
    # Hidden by a person for a reason.
    *(
        Transition("removed from service", state, State.OUT_OF_SERVICE, Trigger.REMOVE)
        for state in (*_VISIBLE, State.SHELVED, State.SUPPRESSED)
    ),
    Transition("returned to service", State.OUT_OF_SERVICE, State.NORMAL, Trigger.RETURN),
)
"""Every transition, after the state diagram of ANSI/ISA-18.2-2016 (from memory; the standard was not at hand).

Choices where the standard leaves one: an alarm that leaves a hidden state becomes normal first and, in the same
instant, suppressed or raised when that is what its levels say; a latched alarm whose condition comes back is raised
anew; what was unacknowledged or latched when an alarm was hidden is not kept, only its condition is. The re-alarm of an
acknowledged alarm that stands for long, and alarms that acknowledge themselves, are options of the standard not used.
"""

_TABLE: Final = {(transition.was, transition.trigger): transition for transition in TRANSITIONS}


class Machine:
    """State and levels of one alarm. `shelved_until` is data time in ns, of use in the state SHELVED only."""

    __slots__ = ("active", "latching", "shelved_until", "state", "suppressed")

    def __init__(self, latching: bool) -> None:
        self.latching = latching
        self.state = State.NORMAL
        self.active = False
        self.suppressed = False
        self.shelved_until = 0

    def walk(
        self,
        first: int,
        stop: int,
        period: int,
        active: Iterable[tuple[int, bool]] = (),
        suppressed: Iterable[tuple[int, bool]] = (),
    ) -> list[tuple[int, Transition]]:
        """Go through the ticks `first` to `stop` (exclusive), stopping only where something changes.

        Args:
            period: ns between ticks.
            active, suppressed: the ticks at which a level changes, ascending, and what it becomes.

        Returns:
            The transitions and their ticks, in order.
        """
        rises = dict(active)
        hides = dict(suppressed)
        ticks = rises.keys() | hides.keys()
        if self.state is State.SHELVED:
            over = max(first, -(-self.shelved_until // period))
            if over < stop:
                ticks.add(over)
        taken: list[tuple[int, Transition]] = []
        for tick in sorted(ticks):
            self.active = rises.get(tick, self.active)
            self.suppressed = hides.get(tick, self.suppressed)
            taken.extend((tick, transition) for transition in self._settle(tick * period))
        return taken

    def apply(self, trigger: Trigger, time: int) -> list[Transition]:
        """What a person's action at data time `time` (ns) leads to; empty when it makes no sense in this state. Set
        `shelved_until` before shelving."""
        if (self.state, trigger) not in _TABLE:
            return []
        return [self._take(trigger), *self._settle(time)]

    def _settle(self, time: int) -> list[Transition]:
        """Take transitions until state and levels agree."""
        taken = []
        while (trigger := self._due(time)) is not None:
            taken.append(self._take(trigger))
        return taken

    def _due(self, time: int) -> Trigger | None:
        state = self.state
        if state is State.OUT_OF_SERVICE:
            return None
        if state is State.SHELVED:
            return Trigger.TIME_OVER if time >= self.shelved_until else None
        if state is State.SUPPRESSED:
            return None if self.suppressed else Trigger.UNSUPPRESS
        if self.suppressed:
            return Trigger.SUPPRESS
        if self.active == (state in STANDING):
            return None
        if self.active:
            return Trigger.HOLDS
        return Trigger.GONE_LATCHING if self.latching else Trigger.GONE

    def _take(self, trigger: Trigger) -> Transition:
        transition = _TABLE[self.state, trigger]
        self.state = transition.state
        return transition
