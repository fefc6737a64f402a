"""What an alarm sounds like: the terminal's bell in patterns that differ by priority, a spoken word for critical ones.

Alarms as they stand come in, ten times a second; bells and words come out when they are due. Nothing waits for a sound.
An alarm sounds until somebody acknowledges or silences it; a new one sounds in spite of that.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from livewatch.data.alarm_states import Priority

if TYPE_CHECKING:
    from livewatch.alarms import AlarmState

__all__ = ["PATTERNS", "AlarmSound", "Pattern"]


@dataclass(frozen=True, slots=True)
class Pattern:
    """Bells at these seconds after the start, begun again every `again` seconds; None for once only."""

    bells: tuple[float, ...]
    again: float | None


PATTERNS: dict[Priority, Pattern] = {
    "critical": Pattern((0.0, 0.2, 0.4), 1.5),
    "high": Pattern((0.0, 0.5), 5.0),
    "medium": Pattern((0.0,), None),
    "low": Pattern((), None),
}
SPEAK_AGAIN = 4.0
"""Seconds between spoken words while a critical alarm is unanswered."""


class AlarmSound:
    """Args:
    bell: rings once; must not block.
    speak: says a word; must not block.
    """

    def __init__(self, bell: Callable[[], None], speak: Callable[[str], None]) -> None:
        self._bell, self._speak = bell, speak
        self._silenced: set[tuple[str, int]] = set()
        self._sounding: tuple[str, int] | None = None
        self._started = 0.0
        self._rung = 0
        self._spoken = -SPEAK_AGAIN

    def silence(self, alarms: Sequence[AlarmState]) -> None:
        """Hush what sounds now."""
        self._silenced.update(_key(alarm) for alarm in alarms if not alarm.acknowledged)

    def silenced(self, alarms: Sequence[AlarmState]) -> bool:
        """Whether some unacknowledged alarm is hushed and none sounds."""
        waiting = [alarm for alarm in alarms if not alarm.acknowledged]
        return bool(waiting) and self._loudest(alarms) is None

    def sound(self, alarms: Sequence[AlarmState], now: float) -> None:
        """Ring and speak what is due for the announced `alarms` when the clock stands at `now`, s."""
        self._silenced &= {_key(alarm) for alarm in alarms}
        alarm = self._loudest(alarms)
        if alarm is None:
            self._sounding = None
            return
        if _key(alarm) != self._sounding:
            self._sounding, self._started, self._rung = _key(alarm), now, 0
        pattern = PATTERNS[alarm.priority]
        if pattern.again is not None and now - self._started >= pattern.again:
            self._started, self._rung = now, 0
        if self._rung < len(pattern.bells) and now - self._started >= pattern.bells[self._rung] - 0.01:
            self._rung += 1
            self._bell()
        if alarm.priority == "critical" and now - self._spoken >= SPEAK_AGAIN:
            self._spoken = now
            self._speak("lift")

    def _loudest(self, alarms: Sequence[AlarmState]) -> AlarmState | None:
        return next((one for one in alarms if not one.acknowledged and _key(one) not in self._silenced), None)


def _key(alarm: AlarmState) -> tuple[str, int]:
    return alarm.name, alarm.raised_at or 0
