"""Which events of a log are wanted.

Events go through a `LogFilter` one at a time. Every condition that is given must be met; one that is not given lets
everything pass.
"""

from __future__ import annotations

from dataclasses import dataclass

from livewatch.data.events import AlarmChanged, Event

__all__ = ["LogFilter", "Moment"]


@dataclass(frozen=True, slots=True)
class Moment:
    """A point in a log: `time`, data time in ns, or `utc`, the source's clock in ns since the Unix epoch."""

    time: int | None = None
    utc: int | None = None

    def after(self, event: Event) -> bool:
        """Whether it lies after the event."""
        if self.time is not None:
            return self.time > event.time
        return self.utc is not None and self.utc > event.utc

    def before(self, event: Event) -> bool:
        """Whether it lies before the event."""
        if self.time is not None:
            return self.time < event.time
        return self.utc is not None and self.utc < event.utc


@dataclass(frozen=True, slots=True)
class LogFilter:
    """Attributes:
    kinds: words of the kinds of events.
    subjects: alarms, channels or pulls.
    priorities: of alarms; events that are no alarm's have none and do not pass.
    start, stop: inclusive.
    """

    kinds: frozenset[str] = frozenset()
    subjects: frozenset[str] = frozenset()
    priorities: frozenset[str] = frozenset()
    start: Moment | None = None
    stop: Moment | None = None

    def passes(self, event: Event) -> bool:
        """Whether this event is wanted."""
        priority = event.priority if isinstance(event, AlarmChanged) else ""
        return not (
            (self.kinds and event.kind not in self.kinds)
            or (self.subjects and event.subject not in self.subjects)
            or (self.priorities and priority not in self.priorities)
            or (self.start is not None and self.start.after(event))
            or (self.stop is not None and self.stop.before(event))
        )
