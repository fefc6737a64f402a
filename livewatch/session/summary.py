"""What an event log amounts to.

The events of a run come in, in order; one `LogSummary` comes out: every spell of every alarm with its start, end and
acknowledgement, the load on the person by the measures of EEMUA 191 (the same code that measures it live), how many
events of each kind there were, and what was odd in the data.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, field
from typing import Any

from livewatch.alarms.load import AIM, Figures, Load
from livewatch.alarms.machine import STANDING
from livewatch.data.events import EventKind
from livewatch.session.log import LoggedEvent
from livewatch.session.log_filter import LogFilter

__all__ = ["LogSummary", "Spell", "summarise"]

USUAL_TICK = 10_000_000
"""Nanoseconds, for a log whose beginning is missing."""
_STANDING = frozenset(state.value for state in STANDING)


@dataclass(slots=True)
class Spell:
    """One alarm from when it was raised until it stood no more. Times are data time in seconds.

    Attributes:
        start_utc: the source's clock at the start, ISO 8601.
        end: None when it stood to the end of the log.
        ended_by: the transition that ended it: returned to normal, latched, shelved, ...
        acknowledged: when a person answered it, during the spell or after; None when nobody did.
    """

    alarm: str
    priority: str
    setpoint: str
    first_out: bool
    start: float
    start_utc: str
    end: float | None = None
    ended_by: str = ""
    acknowledged: float | None = None


@dataclass(slots=True)
class LogSummary:
    """Attributes:
    profile: name of the profile, empty when the log does not say.
    start_utc: the source's clock at the first event, empty when there is none.
    duration: data time of the last event, s.
    ended: whether the run ended in good order.
    events: number of events by kind.
    spells: in order of their start.
    figures: the load on the person.
    oddities: what was odd in the data, as last told.
    """

    profile: str = ""
    start_utc: str = ""
    duration: float = 0.0
    ended: bool = False
    events: Mapping[str, int] = field(default_factory=dict)
    spells: list[Spell] = field(default_factory=list)
    figures: Figures = field(default_factory=lambda: Load(USUAL_TICK).figures(0))
    oddities: Mapping[str, int] = field(default_factory=dict)

    def length(self, spell: Spell) -> float:
        """How long a spell stood, s; up to the end of the log when it stood to the end."""
        return (self.duration if spell.end is None else spell.end) - spell.start

    @property
    def record(self) -> dict[str, Any]:
        """Everything as JSON values; times in seconds, with the unit in the name."""
        spells = [
            {
                "alarm": spell.alarm,
                "priority": spell.priority,
                "setpoint": spell.setpoint,
                "first_out": spell.first_out,
                "start_s": spell.start,
                "start_utc": spell.start_utc,
                "end_s": spell.end,
                "duration_s": round(self.length(spell), 6),
                "ended_by": spell.ended_by or None,
                "acknowledged_s": spell.acknowledged,
            }
            for spell in self.spells
        ]
        figures = asdict(self.figures)
        return {
            "v": 1,
            "profile": self.profile,
            "start_utc": self.start_utc,
            "duration_s": self.duration,
            "ended": self.ended,
            "events": dict(self.events),
            "alarms": spells,
            "load": {
                "raised": figures["raised"],
                "average_per_10_min": round(figures["average"], 6),
                "peak_in_10_min": figures["peak"],
                "floods": figures["floods"],
                "flood_time_s": figures["flood_time"],
                "chattering": figures["chattering"],
                "share_percent": {key: round(value, 6) for key, value in figures["share"].items()},
                "share_to_aim_at_percent": dict(AIM),
                "most_frequent": [list(entry) for entry in figures["most_frequent"]],
                "standing_10_min_or_longer_s": figures["standing"],
            },
            "oddities": dict(self.oddities),
        }


def summarise(events: Iterable[LoggedEvent], wanted: LogFilter | None = None) -> LogSummary:
    """Go over the whole log once; alarms and events are counted where `wanted` lets them pass."""
    wanted = wanted or LogFilter()
    summary = LogSummary()
    kinds: Counter[str] = Counter()
    latest: dict[str, Spell] = {}
    load = Load(USUAL_TICK)
    now = 0
    for event in events:
        passes = wanted.passes(event)
        kinds[event.kind] += passes
        summary.start_utc = summary.start_utc or event.utc
        summary.duration = max(summary.duration, event.time)
        now = max(now, round(event.time * 1e9))
        load.passed(now)
        detail = event.detail
        if event.kind == EventKind.STARTED:
            summary.profile = str(detail.get("profile", ""))
            tick = detail.get("tick")
            if isinstance(tick, int | float) and tick > 0:
                load = Load(round(tick * 1e9))
        elif event.kind == EventKind.ALARM and passes:
            _follow(event, latest, summary, load, now)
        elif event.kind in (EventKind.ODDITY, EventKind.ENDED):
            counts = detail.get("counts")
            if isinstance(counts, dict):
                summary.oddities = counts
            summary.ended = summary.ended or event.kind == EventKind.ENDED
    summary.events = dict(+kinds)
    summary.figures = load.figures(now)
    return summary


def _follow(event: LoggedEvent, latest: dict[str, Spell], summary: LogSummary, load: Load, now: int) -> None:
    detail, name = event.detail, event.subject
    transition, state = str(detail.get("transition", "")), str(detail.get("state", ""))
    spell = latest.get(name)
    stands = spell is not None and spell.end is None
    if transition == "raised":
        if stands and spell is not None:
            spell.end, spell.ended_by = event.time, "raised anew"
        priority = str(detail.get("priority", ""))
        latest[name] = Spell(
            alarm=name,
            priority=priority,
            setpoint=str(detail.get("setpoint", "")),
            first_out=bool(detail.get("first_out", False)),
            start=event.time,
            start_utc=event.utc,
        )
        summary.spells.append(latest[name])
        for known in AIM:
            if known == priority:
                load.raised(now, name, known)
        return
    if spell is None:
        return
    if transition == "acknowledged" and spell.acknowledged is None:
        spell.acknowledged = event.time
    if stands and state not in _STANDING:
        spell.end, spell.ended_by = event.time, transition
        load.stands_no_more(now, name)
