"""How each alarm stands, on its way out: the latest word of each, however many there were between.

Changes of alarms come in from the thread that announces them; messages, one an alarm, come out in the order of their
first change.
"""

from __future__ import annotations

import threading
from collections.abc import Sequence

from livewatch.data.alarm_states import State
from livewatch.data.events import AlarmChanged, utc_text
from livewatch.sources.mqtt.messages import AlarmMessage

__all__ = ["AlarmsOut", "alarm_message"]

LONGEST_TEXT = 2_000


class AlarmsOut:
    """`session` is the run they are of."""

    def __init__(self, session: str) -> None:
        self._session = session
        self._lock = threading.Lock()
        self._known: dict[str, AlarmMessage] = {}
        self._changed: dict[str, None] = {}

    def note(self, events: Sequence[AlarmChanged]) -> None:
        """These changed."""
        with self._lock:
            for event in events:
                self._known[event.subject] = alarm_message(event, self._session, self._known.get(event.subject))
                self._changed[event.subject] = None

    def all_again(self) -> None:
        """Every alarm that ever changed is sent again: the broker may have lost its memory."""
        with self._lock:
            self._changed.update(dict.fromkeys(self._known))

    def is_old(self, name: str) -> bool:
        """Whether what a broker keeps of an alarm is not of this run."""
        return name not in self._known

    def take(self) -> list[tuple[str, bytes]]:
        """Names and messages of what changed. An alarm that is normal again is kept at the broker as such."""
        with self._lock:
            names, self._changed = list(self._changed), {}
            return [(name, self._known[name].model_dump_json().encode()) for name in names]


def alarm_message(event: AlarmChanged, session: str, before: AlarmMessage | None) -> AlarmMessage:
    """How the alarm of `event` stands after it; `before` is how it stood."""
    fact = event.because[0] if event.because else None
    kept = before if before is not None and fact is None and event.state is not State.NORMAL else None
    return AlarmMessage(
        session=session,
        alarm=event.subject[:200],
        state=str(event.state),
        priority=event.priority,
        since=round(event.time / 1e9, 6),
        utc=utc_text(event.utc),
        first_out=event.first_out,
        setpoint=event.setpoint[:LONGEST_TEXT],
        action=event.action[:LONGEST_TEXT],
        message=event.message[:LONGEST_TEXT],
        channel=fact.channel if fact else (kept.channel if kept else ""),
        value=fact.value if fact else (kept.value if kept else None),
        unit=fact.unit if fact else (kept.unit if kept else ""),
    )
