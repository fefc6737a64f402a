"""Which events of a log are wanted.

`LoggedEvent`s go through a `LogFilter` one at a time. Every condition that is given must be met; one that is not given
lets everything pass.
"""

from __future__ import annotations

from dataclasses import dataclass

from livewatch.session.log import LoggedEvent

__all__ = ["LogFilter", "Moment"]


@dataclass(frozen=True, slots=True)
class Moment:
    """A point in a log: `time`, data time in seconds, or `utc`, the source's clock in ISO 8601 (UTC, microseconds)."""

    time: float | None = None
    utc: str | None = None

    def after(self, event: LoggedEvent) -> bool:
        """Whether it lies after the event."""
        if self.time is not None:
            return self.time > event.time
        return self.utc is not None and self.utc > event.utc

    def before(self, event: LoggedEvent) -> bool:
        """Whether it lies before the event."""
        if self.time is not None:
            return self.time < event.time
        return self.utc is not None and self.utc < event.utc


@dataclass(frozen=True, slots=True)
class LogFilter:
    """Attributes:
    kinds: words of `events.EventKind`.
    subjects: alarms, channels or buses.
    priorities: of alarms; events that are no alarm's have none and do not pass.
    start, stop: inclusive.
    """

    kinds: frozenset[str] = frozenset()
    subjects: frozenset[str] = frozenset()
    priorities: frozenset[str] = frozenset()
    start: Moment | None = None
    stop: Moment | None = None

    def passes(self, event: LoggedEvent) -> bool:
        """Whether this event is wanted."""
        return not (
            (self.kinds and event.kind not in self.kinds)
            or (self.subjects and event.subject not in self.subjects)
            or (self.priorities and event.detail.get("priority") not in self.priorities)
            or (self.start is not None and self.start.after(event))
            or (self.stop is not None and self.stop.before(event))
        )
