"""What an event log amounts to.

The events of a run come in, in order; one `LogSummary` comes out: every spell of every alarm with its start, end and
acknowledgement, the load on the person by the measures of EEMUA 191 (the same code that measures it live), how many
events of each kind there were, and what was odd in the data.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from livewatch.alarms.load import AIM, Load, LoadFigures
from livewatch.alarms.spells import AlarmSpell, SpellBook
from livewatch.data.alarm_states import STANDING
from livewatch.data.events import AlarmChanged, Event, OdditiesCounted, RunEnded, RunStarted, utc_text
from livewatch.session.log_filter import LogFilter

__all__ = ["LogSummary", "summarise"]

SUMMARY_FORMAT = 2
USUAL_TICK = 10_000_000
"""Nanoseconds, for a log whose beginning is missing."""


@dataclass(slots=True)
class LogSummary:
    """Attributes:
    profile: name of the profile, empty when the log does not say.
    utc: the source's clock at the first event, ns since the Unix epoch; None when there is none.
    duration: data time of the last event, s.
    ended: whether the run ended in good order.
    events: number of events by kind.
    spells: in order of their start.
    figures: the load on the person.
    odd: what was odd in the data, as last told.
    """

    profile: str = ""
    utc: int | None = None
    duration: float = 0.0
    ended: bool = False
    events: Mapping[str, int] = field(default_factory=dict)
    spells: list[AlarmSpell] = field(default_factory=list)
    figures: LoadFigures = field(default_factory=lambda: Load(USUAL_TICK).figures(0))
    odd: Mapping[str, int] = field(default_factory=dict)

    def length(self, spell: AlarmSpell) -> float:
        """How long a spell stood, s; up to the end of the log when it stood to the end."""
        return (self.duration if spell.end is None else spell.end) - spell.start

    def to_json(self) -> dict[str, Any]:
        """Everything as JSON values; spells, load and odd counts have the words of the diagnosis."""
        figures = self.figures
        return {
            "v": SUMMARY_FORMAT,
            "profile": self.profile,
            "start_utc": "" if self.utc is None else utc_text(self.utc),
            "duration": self.duration,
            "duration_unit": "s",
            "ended": self.ended,
            "events": dict(self.events),
            "alarms": [
                {
                    **spell.to_json(),
                    "start_utc": utc_text(spell.utc),
                    "duration": round(self.length(spell), 6),
                    "ended_by": spell.ended_by or None,
                    "acknowledged": spell.acknowledged,
                }
                for spell in self.spells
            ],
            "alarm_load": {
                **figures.to_json(),
                "flood_time": figures.flood_time,
                "share": {key: round(value, 6) for key, value in figures.share.items()},
                "share_to_aim_at": dict(AIM),
                "share_unit": "%",
                "most_frequent": [list(entry) for entry in figures.most_frequent],
                "standing_ten_minutes": dict(figures.standing),
                "time_unit": "s",
            },
            "odd": dict(self.odd),
        }


def summarise(events: Iterable[Event], wanted: LogFilter | None = None) -> LogSummary:
    """Go over the whole log once; alarms and events are counted where `wanted` lets them pass."""
    wanted = wanted or LogFilter()
    summary = LogSummary()
    kinds: Counter[str] = Counter()
    book = SpellBook()
    load = Load(USUAL_TICK)
    now = 0
    for event in events:
        passes = wanted.passes(event)
        kinds[event.kind] += passes
        summary.utc = event.utc if summary.utc is None else summary.utc
        now = max(now, event.time)
        load.passed(now)
        if isinstance(event, RunStarted):
            summary.profile = event.profile
            if event.tick > 0:
                load = Load(round(event.tick * 1e9))
        elif isinstance(event, AlarmChanged) and passes:
            book.observe([event])
            if event.raised:
                load.raised(now, event.subject, event.priority)
            elif event.was in STANDING and event.state not in STANDING:
                load.stands_no_more(now, event.subject)
        elif isinstance(event, OdditiesCounted | RunEnded):
            summary.odd = event.counts
            summary.ended = summary.ended or isinstance(event, RunEnded)
    summary.duration = round(now / 1e9, 6)
    summary.spells = book.spells
    summary.events = dict(+kinds)
    summary.figures = load.figures(now)
    return summary
