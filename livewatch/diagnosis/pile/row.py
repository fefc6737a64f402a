"""What one recording of a pile shows, as a row of a table.

A `Diagnosis`, or why there is none, comes in; a `PileRow` of plain values goes out: small, so that it passes between
processes and machines and is kept on disk, and in no way dependent on where or when it was made. `worst_first` is the
order of the table.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields
from math import isfinite
from typing import Any

from livewatch.data.alarm_states import PRIORITIES
from livewatch.data.events import RunStarted, utc_text
from livewatch.diagnosis.diagnosis import Diagnosis

__all__ = ["NOT_READ", "PileRow", "row_of", "unread_row", "worst_first"]

NOT_READ = "not read"
"""Stands for the verdict where there is none."""
_WORST = ("misfit", "strained", "unproven", NOT_READ, "fits")
LIKELY = 0.5
"""Probability from which a cause that is not established is named, as in the verdict."""


@dataclass(frozen=True, slots=True)
class PileRow:
    """Attributes:
    recording: its path, as it was found.
    verdict, sentence: as in the diagnosis; `not read` and why where there is none.
    systems: word of each system that the car has.
    causes, titles: names and titles of the established causes, most dangerous first; else of the one that stands out.
    size: of the first, in words; empty where none can be given.
    alarms: how often each was raised; `priorities` how many of each priority.
    unexplained: critical alarms that no established cause explains.
    need, need_low, need_high: need over all loads, %, with its 95 % interval; None where unknown.
    pulls: full-pedal runs.
    duration, settled: s.
    vehicle: name of the profile.
    begun: the source's clock at its first row, ISO 8601 in UTC; empty where it is unknown.
    odd: what was odd in the input, by plain-worded kind.
    exit_code: 0, or that of the failure.
    """

    recording: str
    verdict: str
    sentence: str
    systems: Mapping[str, str]
    causes: tuple[str, ...]
    titles: tuple[str, ...]
    size: str
    alarms: Mapping[str, int]
    priorities: Mapping[str, int]
    unexplained: tuple[str, ...]
    need: float | None
    need_low: float | None
    need_high: float | None
    pulls: int
    duration: float
    settled: float
    vehicle: str
    begun: str
    odd: Mapping[str, int]
    exit_code: int

    def to_json(self) -> dict[str, Any]:
        """Plain data; `from_json` reads it back."""
        return {field.name: getattr(self, field.name) for field in fields(self)}

    @classmethod
    def from_json(cls, said: Mapping[str, Any]) -> PileRow:
        """The row that was kept.

        Raises:
            KeyError, TypeError, ValueError: it is none.
        """
        values = {field.name: said[field.name] for field in fields(cls)}
        for name in ("causes", "titles", "unexplained"):
            values[name] = tuple(map(str, values[name]))
        for name in ("systems", "alarms", "priorities", "odd"):
            values[name] = dict(values[name])
        if values["verdict"] not in _WORST:
            raise ValueError(f"no verdict: {values['verdict']!r}")
        return cls(**values)


def row_of(diagnosis: Diagnosis) -> PileRow:
    """The row of a recording that was diagnosed."""
    said = diagnosis.assessment.finding
    likeliest = [cause for cause in said.causes if cause.name != "everyday" and cause.probability > LIKELY]
    causes = said.verdict.established or tuple(likeliest[:1])
    begun = next((event.utc for event in diagnosis.events if isinstance(event, RunStarted)), None)
    counts = Counter(spell.priority for spell in diagnosis.alarms)
    need = [float(f"{one:.5g}") if isfinite(one) else None for one in (said.need.value, said.need.low, said.need.high)]
    return PileRow(
        recording=str(diagnosis.path),
        verdict=said.verdict.word,
        sentence=said.sentence,
        systems={one.system: one.word for one in said.verdict.systems},
        causes=tuple(cause.name for cause in causes),
        titles=tuple(cause.title for cause in causes),
        size=causes[0].size if causes else "",
        alarms=dict(sorted(Counter(spell.alarm for spell in diagnosis.alarms).items())),
        priorities={priority: counts[priority] for priority in PRIORITIES},
        unexplained=tuple(alarm for one in said.verdict.systems for alarm in one.alarms),
        need=need[0],
        need_low=need[1],
        need_high=need[2],
        pulls=said.pull_count,
        duration=round(diagnosis.duration / 1e9, 6),
        settled=round(said.settled, 1),
        vehicle=diagnosis.profile.name,
        begun="" if begun is None else utc_text(begun),
        odd=dict(diagnosis.odd),
        exit_code=0,
    )


def unread_row(recording: str, problem: str, exit_code: int) -> PileRow:
    """The row of one that could not be read."""
    nothing: dict[str, int] = {}
    return PileRow(
        recording, NOT_READ, problem, {}, (), (), "", nothing, dict.fromkeys(PRIORITIES, 0), (), None, None, None, 0,
        0.0, 0.0, "", "", nothing, exit_code,
    )  # fmt: skip


def worst_first(rows: Iterable[PileRow]) -> list[PileRow]:
    """By verdict, then by critical and high alarms, then by need away from nothing, then by name. What could not be
    read comes before what was found right: it may be anything."""
    return sorted(
        rows,
        key=lambda row: (
            _WORST.index(row.verdict),
            -row.priorities.get("critical", 0),
            -row.priorities.get("high", 0),
            -abs(row.need or 0.0),
            row.recording,
        ),
    )
