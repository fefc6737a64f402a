"""Alarm spells: from raised to gone, each one thing that happened.

Events come in, in order; for each time an alarm was raised one `AlarmSpell` comes out, with when and how it ended and
whether anybody answered. The diagnosis, the dashboard's timeline and the summary of a log all speak of spells.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from livewatch.data.alarm_states import STANDING, Priority
from livewatch.data.event_json import plain
from livewatch.data.events import AlarmChanged, Event, Fact

__all__ = ["AlarmSpell", "SpellBook"]


@dataclass(slots=True)
class AlarmSpell:
    """One time an alarm stood. Times are data time in seconds.

    Attributes:
        alarm, priority, setpoint, message, action, first_out, because: as the event says that raised it.
        start, utc: when it was raised; `utc` by the source's clock, ns since the Unix epoch.
        end: None while it stands.
        ended_by: the transition that ended it: returned to normal, latched, shelved, ...; empty while it stands.
        acknowledged: when a person answered it, during the spell or after; None when nobody did.
    """

    alarm: str
    priority: Priority
    setpoint: str
    message: str
    action: str
    first_out: bool
    because: tuple[Fact, ...]
    start: float
    utc: int
    end: float | None = None
    ended_by: str = ""
    acknowledged: float | None = None

    @classmethod
    def of(cls, event: AlarmChanged) -> AlarmSpell:
        """The spell that an event begins."""
        return cls(
            event.subject,
            event.priority,
            event.setpoint,
            event.message,
            event.action,
            event.first_out,
            event.because or (),
            round(event.time / 1e9, 6),
            event.utc,
        )

    def to_json(self) -> dict[str, Any]:
        """As an object of the diagnosis, and the beginning of one of a log's summary."""
        return {
            "alarm": self.alarm,
            "priority": self.priority,
            "start": self.start,
            "end": self.end,
            "time_unit": "s",
            "first_out": self.first_out,
            "setpoint": self.setpoint,
            "because": plain(self.because),
            "message": self.message,
            "action": self.action,
        }


class SpellBook:
    """Collects spells as events come. `spells` are those so far, in the order they began."""

    def __init__(self) -> None:
        self.spells: list[AlarmSpell] = []
        self._latest: dict[str, AlarmSpell] = {}

    def observe(self, events: Iterable[Event]) -> None:
        """Look at the next events."""
        for event in events:
            if isinstance(event, AlarmChanged):
                self._follow(event)

    def _follow(self, event: AlarmChanged) -> None:
        spell, time = self._latest.get(event.subject), round(event.time / 1e9, 6)
        if spell is not None and spell.end is None and (event.raised or event.state not in STANDING):
            spell.end, spell.ended_by = time, "raised anew" if event.raised else event.transition
        if event.raised:
            self._latest[event.subject] = AlarmSpell.of(event)
            self.spells.append(self._latest[event.subject])
        elif spell is not None and event.transition == "acknowledged" and spell.acknowledged is None:
            spell.acknowledged = time
