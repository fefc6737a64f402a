"""Alarm spells: from raised to gone, each one thing that happened.

Events come in, in order; for each time an alarm was raised one `Spell` comes out, with when it went away and whether
anybody answered. The diagnosis, the dashboard's timeline and the report all speak of spells.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from livewatch.data.events import Event, EventKind

__all__ = ["Spell", "SpellBook"]

STANDING = frozenset({"unacknowledged alarm", "acknowledged alarm"})


@dataclass(slots=True)
class Spell:
    """One time an alarm stood.

    Attributes:
        alarm, priority, message, action, setpoint: as the event says.
        start, end: data time in seconds; `end` is None while it stands.
        first_out: whether it was the first of those that stood together.
        because: what made it true: channel, value, unit.
    """

    alarm: str
    priority: str
    start: float
    end: float | None
    first_out: bool
    setpoint: str
    message: str
    action: str
    because: Sequence[Mapping[str, Any]]

    def to_json(self) -> dict[str, Any]:
        """As an object of the diagnosis."""
        return {
            "alarm": self.alarm,
            "priority": self.priority,
            "start": self.start,
            "end": self.end,
            "time_unit": "s",
            "first_out": self.first_out,
            "setpoint": self.setpoint,
            "because": list(self.because),
            "message": self.message,
            "action": self.action,
        }


class SpellBook:
    """Collects spells as events come. `spells` are those so far, in the order they began."""

    def __init__(self) -> None:
        self.spells: list[Spell] = []
        self._open: dict[str, Spell] = {}

    def take(self, events: Iterable[Event]) -> None:
        """Look at the next events."""
        for event in events:
            if event.kind is not EventKind.ALARM:
                continue
            detail, time = event.detail, round(event.time / 1e9, 6)
            if detail["transition"] == "raised":
                spell = Spell(
                    event.subject,
                    detail["priority"],
                    time,
                    None,
                    detail["first_out"],
                    detail["setpoint"],
                    detail["message"],
                    detail["action"],
                    detail["because"],
                )
                self.spells.append(spell)
                self._open[event.subject] = spell
            elif detail["state"] not in STANDING and event.subject in self._open:
                self._open.pop(event.subject).end = time
