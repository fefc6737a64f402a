"""A report of one drive: everything that is said and shown of it, put together before it is laid out.

    report = report_of(diagnosis)
    report.to_json()

A `Diagnosis` comes in; a `Report` goes out: values, sentences and pictures. Paths, identification numbers and positions
are not in it: of the recording, the profile and the session only names are.

`to_json` is format version 1 (fields stay, new ones may be added): `report`, all of `Diagnosis.to_json` with `source`
cut to a name, `whole` and `by_system` in everyday words, `pictures`, `repeatability`, `sha256`.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from livewatch.alarms.spells import AlarmSpell
from livewatch.data.alarm_states import PRIORITIES
from livewatch.data.events import RunStarted, utc_text
from livewatch.data.private import is_private
from livewatch.diagnosis.diagnosis import Diagnosis
from livewatch.diagnosis.pull_curves import REPEATED, PullCurve, Repeatability, pull_curves, repeatability
from livewatch.report.drive_data import DriveData
from livewatch.report.plots.around_alarm import MOST, alarm_pictures
from livewatch.report.plots.boost import boost_in_pulls, dyno_power, pulls_overlaid
from livewatch.report.plots.fuel import air_agreement, need_over_flow
from livewatch.report.plots.operating_map import authority_map
from livewatch.report.plots.picture import Picture
from livewatch.signature.cause import Cause
from livewatch.signature.finding import Finding
from livewatch.version import __version__
from livewatch.wording.cautions import CAUTION
from livewatch.wording.customer import (
    SYSTEM_NAMES,
    VERDICT_WORDS,
    remedy_words,
    system_sentence,
    verdict_sentence,
)
from livewatch.wording.events import MARKS, clock_text, fact_words

__all__ = ["REPORT_FORMAT", "Report", "SystemLine", "report_of", "system_lines"]

REPORT_FORMAT = 1
LEAST_PROBABLE = 0.2
"""Probability from which a cause that is not established is worth a word; a judgement."""
MOST_TIMES = 30
"""Of one alarm that are written out."""


@dataclass(frozen=True, slots=True)
class SystemLine:
    """One system of the car in everyday words: `name`, `word` as judged, how that is `said`, `sentence`, and what would
    show the rest of it."""

    name: str
    word: str
    said: str
    sentence: str
    lacking: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Row:
    """A row of a table: a heading and its cells."""

    head: str
    cells: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Report:
    """One drive, ready to be laid out.

    Attributes:
        data: the drive it is of.
        curves: its pulls over engine speed.
        evidence: pictures of the whole drive; `alarms` those around critical alarms.
        repeat: how well its pulls repeat.
        private: whether positions and identification numbers may be in it.
    """

    data: DriveData
    curves: tuple[PullCurve, ...]
    evidence: tuple[Picture, ...]
    alarm_pictures: tuple[Picture, ...]
    repeat: tuple[Repeatability, ...]
    private: bool = False

    @property
    def diagnosis(self) -> Diagnosis:
        """What it is a report of."""
        return self.data.diagnosis

    @property
    def finding(self) -> Finding:
        """What was found."""
        return self.diagnosis.assessment.finding

    @property
    def word(self) -> str:
        """The verdict in a word."""
        return self.finding.verdict.word

    @property
    def whole(self) -> str:
        """The verdict in everyday words."""
        return verdict_sentence(self.finding.verdict)

    @property
    def systems(self) -> list[SystemLine]:
        """The same by system."""
        return system_lines(self.finding)

    @property
    def started(self) -> str:
        """When the recording began by its own clock, without fractions; empty where that is not known."""
        utc = next((event.utc for event in self.diagnosis.events if isinstance(event, RunStarted)), 0)
        return utc_text(utc)[:19].replace("T", " ") + " UTC" if utc > 0 else ""

    @property
    def facts(self) -> list[tuple[str, str]]:
        """What the drive was, label and text."""
        one = self.diagnosis
        facts = [
            ("Recording", f"{one.path.name}, {one.kind}"),
            ("Began", self.started or "unknown"),
            ("Length", f"{clock_text(one.duration / 1e9)} (minutes and seconds)"),
            ("Profile", one.profile.name),
            ("Settled driving", f"{self.finding.settled:.0f} s"),
            ("Pulls", str(self.finding.pull_count)),
        ]
        if self.finding.compared_with:
            facts.append(("Compared with", f"a baseline drive on matching parts, profile {self.finding.compared_with}"))
        return facts

    @property
    def causes(self) -> list[Cause]:
        """Those worth a word: established, or not improbable."""
        return [one for one in self.finding.causes if one.name != "everyday" and one.probability >= LEAST_PROBABLE][:5]

    @property
    def sizes(self) -> list[Row]:
        """Every figure with its interval."""
        return [
            Row(
                estimate.what,
                (
                    estimate.size,
                    cause.title,
                    "established" if cause.established else f"{100.0 * cause.probability:.0f} %",
                ),
            )
            for cause in self.causes
            for estimate in cause.estimates
        ]

    @property
    def alarms(self) -> list[Row]:
        """Each alarm with the times that it stood, the most urgent first."""
        spells: dict[str, list[AlarmSpell]] = {}
        for spell in sorted(self.diagnosis.alarms, key=lambda one: (PRIORITIES.index(one.priority), one.start)):
            spells.setdefault(spell.alarm, []).append(spell)
        return [self._alarm(some) for some in spells.values()]

    def _alarm(self, spells: list[AlarmSpell]) -> Row:
        first = spells[0]
        times = [self._time(spell) for spell in spells[:MOST_TIMES]]
        if len(spells) > MOST_TIMES:
            times.append(f"and {len(spells) - MOST_TIMES} more times, all of them in the JSON report")
        name = first.message or first.alarm.replace("_", " ")
        return Row(f"{MARKS[first.priority]} {first.priority}", (name, "; ".join(times), first.action))

    def _time(self, spell: AlarmSpell) -> str:
        until = "to the end" if spell.end is None else f"for {spell.end - spell.start:.1f} s"
        because = ", ".join(self._facts(spell))
        return f"{clock_text(spell.start)} {until}" + (f" ({because})" if because else "")

    def _facts(self, spell: AlarmSpell) -> list[str]:
        facts = [fact for fact in spell.because if self.private or not is_private(fact.channel)]
        return [words.replace("_", " ") for words in fact_words(facts)]

    @property
    def coverage(self) -> list[Row]:
        """What was driven, by load."""
        rows = []
        for group in self.finding.coverage.groups:
            needs = ", ".join(f"{100.0 * (need - 1.0):+.1f} %" for need in group.need if need == need)
            seen = f"{group.seconds:.0f} s"
            rows.append(Row(group.name, (seen, "enough" if group.enough else "not enough", needs or "unknown")))
        return rows

    @property
    def next_steps(self) -> list[str]:
        """What to do, then what to drive or to get."""
        done = [remedy_words(cause) for cause in self.finding.verdict.established]
        return list(dict.fromkeys([*done, self.finding.next_drive, *self.finding.verdict.lacking]))

    @property
    def cautions(self) -> list[str]:
        """What has to be said whatever was found."""
        critical = any(spell.priority == "critical" for spell in self.diagnosis.alarms)
        said = ["No full power until the cause of the critical alarms is found and put right."] if critical else []
        return [*said, CAUTION]

    @property
    def unknown(self) -> list[str]:
        """What the data could not show."""
        said = [*self.finding.missing, *self.diagnosis.caveats]
        said += [f"{one.channel} is not believed: {one.problem}" for one in self.finding.mixed_up]
        said += [f"assumed: {one}" for one in self.finding.assumed]
        said += [f"odd in the recording: {number} {what}" for what, number in self.diagnosis.odd.items()]
        return [*said, *self._unread()]

    def _unread(self) -> Iterator[str]:
        one = self.diagnosis
        if one.duration == 0:
            yield "no moment could be judged: the recording is empty, or ends before the stretch asked for"
        if one.unused:
            yield f"columns that are no channel of the profile: {', '.join(one.unused)}"
        if one.unknown_buses:
            yield f"channels of the recording that are no bus of the profile: {', '.join(one.unknown_buses)}"

    @property
    def more_alarms(self) -> str:
        """What is left out, in words; empty for nothing."""
        return f"The first {MOST} critical ones are drawn." if len(self.alarm_pictures) >= MOST else ""

    @property
    def version(self) -> str:
        """Of livewatch."""
        return __version__

    def to_json(self) -> dict[str, Any]:
        """The documented object; see the module."""
        said = self.diagnosis.to_json() | {"source": self.diagnosis.path.name}
        for spell in said["alarms"]:
            spell["because"] = [one for one in spell["because"] if self.private or not is_private(one["channel"])]
        return {
            "report": REPORT_FORMAT,
            **said,
            "whole": self.whole,
            "by_system": [
                {"system": one.name, "word": one.word, "sentence": one.sentence, "lacking": list(one.lacking)}
                for one in self.systems
            ],
            "next_steps": self.next_steps,
            "cautions": self.cautions,
            "not_shown": self.unknown,
            "pictures": [one.to_json() for one in (*self.evidence, *self.alarm_pictures)],
            "pull_curves": [one.to_json() for one in self.curves],
            "repeatability": [one.to_json() for one in self.repeat],
            "sha256": self.data.hashes,
        }


def system_lines(finding: Finding) -> list[SystemLine]:
    """A finding system by system, in everyday words."""
    return [
        SystemLine(SYSTEM_NAMES[one.system], one.word, VERDICT_WORDS[one.word], system_sentence(one), one.lacking)
        for one in finding.verdict.systems
    ]


def report_of(diagnosis: Diagnosis, private: bool = False) -> Report:
    """The report of a drive; its recording is read once more for the pictures. `private`: with positions and
    identification numbers, should the data have any.

    Raises:
        SourceError: the recording is gone.
    """
    data = DriveData.of(diagnosis, private)
    curves = tuple(pull_curves(data.table, diagnosis.pulls))
    evidence: Sequence[Picture] = (
        need_over_flow(data),
        air_agreement(data),
        boost_in_pulls(data),
        pulls_overlaid({diagnosis.path.name: curves}),
        authority_map(data),
        *((dyno_power(curves),) if data.has("torque") or data.has("power") else ()),
    )
    found = (repeatability(curves, quantity) for quantity in REPEATED)
    return Report(
        data, curves, tuple(evidence), tuple(alarm_pictures(data)), tuple(one for one in found if one), private
    )
