"""How much the alarms ask of a person: flood, chattering, and the figures of a run.

The figures are those of EEMUA 191 and ANSI/ISA-18.2-2016, all from memory, the publications not being at hand:

- A flood begins when more than 10 alarms were raised within 10 minutes, and ends when fewer than 5 were. Both count
  over a window that slides with data time and holds the raises after t - 10 min, up to and including t. (The
  publications count in fixed 10-minute slots, for plants that run for months.)
- An alarm chatters when it was raised three times within a minute (the third less than 60 s after the first). It is
  told once; the alarm is calm again when a minute passed between two raises.
- About one alarm in ten minutes is acceptable; of all alarms about 80 % should be low, 15 % medium, 5 % high priority,
  critical ones a rare exception.
- A standing (stale) alarm is one that stays for long: 24 hours in the publications, 10 minutes here, a drive being
  shorter (our choice).
"""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from livewatch.data.alarm_states import Priority
from livewatch.data.events import AlarmChattered, AlarmFlood, Event

__all__ = ["AIM", "Load", "LoadFigures"]

SECOND: Final = 1_000_000_000
WINDOW: Final = 600 * SECOND
FLOOD_ABOVE: Final = 10
FLOOD_UNTIL_BELOW: Final = 5
CHATTERING_WITHIN: Final = 60 * SECOND
CHATTERING_RAISES: Final = 3
STANDING_AFTER: Final = 600 * SECOND
MOST_FREQUENT: Final = 10

AIM: Final[Mapping[Priority, float]] = {"critical": 0.0, "high": 5.0, "medium": 15.0, "low": 80.0}
"""Share of each priority to aim at, % of the alarms raised (EEMUA 191, from memory)."""


@dataclass(frozen=True, slots=True)
class LoadFigures:
    """The load of a run so far.

    Attributes:
        elapsed: data time, s.
        raised: alarms raised.
        average: alarms per 10 minutes over the run, counted as at least 10 minutes.
        peak: most alarms within any 10 minutes.
        floods, flood_time: how many floods, and for how long in all, s.
        chattering: alarms that chattered, and how often each began to.
        share: % of the alarms raised, by priority; to hold against `AIM`. Empty when none was raised.
        most_frequent: the alarms raised most often, with how often, at most ten.
        standing: alarms that stood for 10 minutes or more without a break, with the longest time, s.
    """

    elapsed: float
    raised: int
    average: float
    peak: int
    floods: int
    flood_time: float
    chattering: Mapping[str, int]
    share: Mapping[Priority, float]
    most_frequent: tuple[tuple[str, int], ...]
    standing: Mapping[str, float]

    def to_json(self) -> dict[str, Any]:
        """As in the diagnosis, and the beginning of what a log's summary says."""
        return {
            "raised": self.raised,
            "per_ten_minutes": round(self.average, 3),
            "most_in_ten_minutes": self.peak,
            "floods": self.floods,
            "chattering": dict(self.chattering),
        }


class Load:
    """Counts raises in order of data time. Its events leave `utc` to whoever knows the source's clock.

    Args:
        period: ns between ticks; what time alone brings about is told at the next tick.
    """

    def __init__(self, period: int) -> None:
        self._period = period
        self._recent: deque[int] = deque()
        self._peak = 0
        self._flood_began: int | None = None
        self._flood_size = 0
        self._floods = 0
        self._flood_time = 0
        self._raises: Counter[str] = Counter()
        self._by_priority: Counter[Priority] = Counter()
        self._latest: dict[str, deque[int]] = {}
        self._chattering: set[str] = set()
        self._chattered: Counter[str] = Counter()
        self._standing: dict[str, int] = {}
        self._longest: dict[str, int] = {}

    def raised(self, time: int, name: str, priority: Priority) -> list[Event]:
        """An alarm was raised at data time `time`, ns. Call `passed` for the time before first."""
        self._raises[name] += 1
        self._by_priority[priority] += 1
        self._standing[name] = time
        events = self._chatter(time, name)
        while self._recent and self._recent[0] <= time - WINDOW:
            self._recent.popleft()
        self._recent.append(time)
        self._peak = max(self._peak, len(self._recent))
        if self._flood_began is not None:
            self._flood_size += 1
        elif len(self._recent) > FLOOD_ABOVE:
            self._flood_began = time
            self._flood_size = len(self._recent)
            self._floods += 1
            events.append(AlarmFlood(time, 0, "", "began", len(self._recent), within=WINDOW / SECOND))
        return events

    def stands_no_more(self, time: int, name: str) -> None:
        """An alarm went out, or out of sight, at data time `time`, ns."""
        began = self._standing.pop(name, None)
        if began is not None and time - began >= STANDING_AFTER:
            self._longest[name] = max(time - began, self._longest.get(name, 0))

    def chatters(self, name: str) -> bool:
        """Whether an alarm chatters, as of its latest raise."""
        return name in self._chattering

    def passed(self, time: int) -> list[Event]:
        """Data time has passed up to and including `time`, ns: perhaps a flood has ended."""
        if self._flood_began is None:
            return []
        ends = self._recent[-FLOOD_UNTIL_BELOW] + WINDOW
        ends += -ends % self._period
        if ends > time:
            return []
        lasted = ends - self._flood_began
        self._flood_time += lasted
        self._flood_began = None
        return [AlarmFlood(ends, 0, "", "ended", self._flood_size, lasted=lasted / SECOND)]

    def figures(self, time: int) -> LoadFigures:
        """The figures at data time `time`, ns."""
        raised = sum(self._raises.values())
        flooding = 0 if self._flood_began is None else time - self._flood_began
        standing = dict(self._longest)
        for name, began in self._standing.items():
            if time - began >= STANDING_AFTER:
                standing[name] = max(time - began, standing.get(name, 0))
        return LoadFigures(
            elapsed=time / SECOND,
            raised=raised,
            average=raised / max(1.0, time / WINDOW),
            peak=self._peak,
            floods=self._floods,
            flood_time=(self._flood_time + flooding) / SECOND,
            chattering=dict(self._chattered),
            share={priority: 100.0 * self._by_priority[priority] / raised for priority in AIM} if raised else {},
            most_frequent=tuple(self._raises.most_common(MOST_FREQUENT)),
            standing={name: duration / SECOND for name, duration in standing.items()},
        )

    def _chatter(self, time: int, name: str) -> list[Event]:
        latest = self._latest.setdefault(name, deque(maxlen=CHATTERING_RAISES))
        if latest and time - latest[-1] >= CHATTERING_WITHIN:
            self._chattering.discard(name)
        latest.append(time)
        often = len(latest) == CHATTERING_RAISES and time - latest[0] < CHATTERING_WITHIN
        if not often or name in self._chattering:
            return []
        self._chattering.add(name)
        self._chattered[name] += 1
        return [AlarmChattered(time, 0, name, CHATTERING_RAISES, CHATTERING_WITHIN / SECOND)]
