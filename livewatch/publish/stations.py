"""What is known of every station on a broker: the last word of each kind, and when it was heard.

Topics and payloads as a broker hands them on come in; `Station`s come out, worst first. Nothing is believed that is not
of its type (see `messages`); there are no more stations, and no more alarms of one, than the bounds here.
"""

from __future__ import annotations

import math
import threading
import time
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Final

from livewatch.data.alarm_states import HIDDEN, PRIORITIES, UNACKNOWLEDGED
from livewatch.data.events import parse_utc
from livewatch.sources.mqtt.messages import (
    AlarmMessage,
    Authority,
    AuthorityMessage,
    SamplesMessage,
    Status,
    VerdictMessage,
    read_message,
)
from livewatch.sources.mqtt.topics import read_topic

__all__ = ["Station", "Stations"]

MOST_STATIONS = 2_000
MOST_ALARMS = 300
SILENT_AFTER = 10.0
"""Seconds without a word after which a station that watches counts as silent; it speaks every two."""
_RANK: Final = {priority: rank for rank, priority in enumerate(PRIORITIES)}
_QUIET: Final = {"normal"} | {str(state) for state in HIDDEN}
_OPEN: Final = {str(state) for state in UNACKNOWLEDGED}
_WORDS: Final = {"misfit": 0, "strained": 1, "unproven": 3, "fits": 3}


@dataclass(frozen=True, slots=True)
class Station:
    """One station.

    Attributes:
        heard: when something came of it last, on the machine's monotonic clock, s.
        alarms: by name, as they were told, whatever run they are of.
        standing: those of the run its status speaks of that somebody must see, most urgent first.
        delay: seconds from its clock to ours at its last status; NaN before one.
    """

    name: str
    heard: float
    status: Status | None = None
    alarms: Mapping[str, AlarmMessage] = field(default_factory=dict)
    standing: tuple[AlarmMessage, ...] = ()
    verdict: VerdictMessage | None = None
    authority: AuthorityMessage | None = None
    samples: SamplesMessage | None = None
    delay: float = math.nan

    def state(self, now: float) -> str:
        """watching, replaying, ended, lost (the broker says so), or silent."""
        said = "silent" if self.status is None else self.status.state
        if said in ("watching", "replaying") and now - self.heard > SILENT_AFTER:
            return "silent"
        return said

    @property
    def most_used(self) -> Authority | None:
        """The controller that uses the largest share of its limit now; None when none is known."""
        session = "" if self.status is None else self.status.session
        if self.authority is None or self.authority.session != session:
            return None
        known = [one for one in self.authority.controllers if one.used is not None]
        return max(known, key=lambda one: one.used or 0.0, default=None)

    @property
    def word(self) -> str:
        """The verdict in a word; empty when there is none of this run."""
        if self.verdict is None or self.status is None or self.verdict.session != self.status.session:
            return ""
        return self.verdict.word

    def urgency(self, now: float) -> tuple[Any, ...]:
        """Sort key, worst first: unanswered alarms by priority, a station that went silent before medium ones, answered
        alarms, a verdict that is not good, used authority; runs that ended come last."""
        alarms = self.standing
        state = self.state(now)
        group = 6
        if alarms and alarms[0].state in _OPEN:
            group = min(3, _RANK[alarms[0].priority] * 2) if alarms[0].priority in ("critical", "high") else 3
        elif alarms:
            group = 4
        if state in ("lost", "silent"):
            group = min(group, 2)
        if group == 6 and _WORDS.get(self.word, 3) < 2:
            group = 5
        if state == "ended":
            group = max(group, 7) if not (alarms and group < 3) else group
        used = self.most_used
        rank = _RANK[alarms[0].priority] if alarms else len(PRIORITIES)
        return group, rank, _WORDS.get(self.word, 3), -(used.used or 0.0) if used else 0.0, self.name


def _standing(station: Station) -> tuple[AlarmMessage, ...]:
    session = "" if station.status is None else station.status.session
    shown = [alarm for alarm in station.alarms.values() if alarm.session == session and alarm.state not in _QUIET]
    return tuple(sorted(shown, key=_urgency))


def _urgency(alarm: AlarmMessage) -> tuple[Any, ...]:
    return alarm.state not in _OPEN, _RANK[alarm.priority], not alarm.first_out, alarm.since, alarm.alarm


class Stations:
    """Safe to read from another thread. `counts` says what was not believed, `messages` how many were looked at."""

    def __init__(self) -> None:
        self.counts: Counter[str] = Counter()
        self.messages = 0
        self._lock = threading.Lock()
        self._known: dict[str, Station] = {}

    def __len__(self) -> int:
        return len(self._known)

    def get(self, name: str) -> Station | None:
        """What is known of one."""
        return self._known.get(name)

    def worst_first(self, now: float | None = None) -> list[Station]:
        """All of them."""
        moment = time.monotonic() if now is None else now
        with self._lock:
            stations = list(self._known.values())
        return sorted(stations, key=lambda station: station.urgency(moment))

    def take(self, topic: str, payload: Any, retained: bool = False) -> None:
        """A message has come; `retained` when the broker kept it from before."""
        self.messages += 1
        found = read_topic(topic)
        if found is None:
            self.counts["messages of no topic of ours"] += 1
            return
        name, kind, what = found
        with self._lock:
            station = self._known.get(name)
            if station is None and len(self._known) >= MOST_STATIONS:
                self.counts["messages of more stations than can be shown"] += 1
                return
            before = station or Station(name, -math.inf)
            after = self._told(before, kind, what, payload)
            if after is not None:
                now = time.monotonic()
                # What the broker kept says nothing of when it was said: only its status has a clock of its own.
                heard = self._heard(after, now) if retained else now
                standing = _standing(after) if kind in ("status", "alarms") else after.standing
                self._known[name] = replace(after, heard=max(before.heard, heard), standing=standing)

    def _told(self, station: Station, kind: str, what: str, payload: Any) -> Station | None:
        if kind == "status":
            status = read_message(Status, payload, self.counts)
            if status is None:
                return None
            sent = parse_utc(status.sent)
            delay = math.nan if sent is None else (time.time_ns() - sent) / 1e9
            kept = {name: alarm for name, alarm in station.alarms.items() if alarm.session == status.session}
            return replace(station, status=status, delay=delay, alarms=kept or station.alarms)
        if kind == "alarms":
            return self._alarm(station, what, payload)
        if kind == "verdict":
            verdict = read_message(VerdictMessage, payload, self.counts)
            return None if verdict is None else replace(station, verdict=verdict)
        if kind == "authority":
            authority = read_message(AuthorityMessage, payload, self.counts)
            return None if authority is None else replace(station, authority=authority)
        if kind == "samples":
            samples = read_message(SamplesMessage, payload, self.counts)
            return None if samples is None else replace(station, samples=samples)
        return None

    def _alarm(self, station: Station, what: str, payload: Any) -> Station | None:
        if not payload:
            return replace(station, alarms={name: one for name, one in station.alarms.items() if name != what})
        alarm = read_message(AlarmMessage, payload, self.counts)
        if alarm is None:
            return None
        if alarm.alarm != what:
            self.counts["messages that make no sense"] += 1
            return None
        if what not in station.alarms and len(station.alarms) >= MOST_ALARMS:
            self.counts["alarms of a station beyond what can be shown"] += 1
            return None
        return replace(station, alarms={**station.alarms, what: alarm})

    @staticmethod
    def _heard(station: Station, now: float) -> float:
        age = station.delay if math.isfinite(station.delay) else math.inf
        return now - max(0.0, age) if age < 1e9 else -math.inf
