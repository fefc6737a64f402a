"""A recording in, what it shows out.

    diagnosis = diagnose("drive.log", "my_car.yaml")
    print(diagnosis)

A path (or many) and a profile come in; for each path a `Diagnosis` comes out: whether the calibration fits the parts,
what is wrong and by how much, the pulls, the alarms, the events, what was odd. The recording is read as fast as it goes
through the same `Run` that watches a car live, so that it shows the same.

`Diagnosis.to_json` is format version 1 (fields stay, new ones may be added): `diagnosis`, `livewatch`, `source`,
`profile`, `duration` with its unit, all that `Assessment.to_json` has, `alarms`, `alarm_load`, `odd`,
`wrong_profile` (a sentence, or null). With a build sheet `build` has a comparison for each cause, `contradicts` said of
each, and `contradiction` the parts of which sheet and drive cannot both be right (a sentence, or null).
Of a car that was asked: `asked` and `wanted`, samples a second by channel.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from math import isnan
from pathlib import Path
from typing import TYPE_CHECKING, Any, overload

from livewatch.alarms.load import LoadFigures
from livewatch.alarms.spells import AlarmSpell, SpellBook
from livewatch.data.events import Event, RunEnded, without_lead_up
from livewatch.decode.bus_traffic import NOT_IN_PROFILE, SENT_DATA, IdentifierCount
from livewatch.diagnosis.assessment import Assessment, assess
from livewatch.profile import load_profile
from livewatch.profile.model import Profile
from livewatch.run.achieved_rates import Rate, rates_of
from livewatch.run.opening import Source, Stretch, open_source, profile_for
from livewatch.run.pipeline import Pipeline
from livewatch.run.reading import read_through
from livewatch.run.run import Run
from livewatch.signature import Signature
from livewatch.signature.cause import Cause
from livewatch.signature.code_evidence import CodeEvidence
from livewatch.signature.evidence.baseline import Baseline
from livewatch.signature.evidence.pulls import Pull
from livewatch.version import __version__

if TYPE_CHECKING:
    from livewatch.build_sheet.sheet import BuildSheet
    from livewatch.diagnosis.channel_table import ChannelTable
    from livewatch.session.recorder import Recorder

__all__ = ["DIAGNOSIS_FORMAT", "Diagnosis", "Terms", "diagnose", "diagnose_one", "read_baseline"]

MOST_FOREIGN = 6
"""Identifiers named where the profile is not that of the recording."""
DIAGNOSIS_FORMAT = 1
AnyPath = str | Path


@dataclass(frozen=True, slots=True)
class Terms:
    """What a recording is read and judged by, besides its profile.

    Attributes:
        buses: channel of the recording to bus of the profile, where names do not tell.
        stretch: the part of it that is wanted.
        build: the car's build sheet: what was predicted is set beside what is measured.
        baseline: a drive on matching parts to compare with.
        out: the folder in which a session folder is left; None for none.
    """

    buses: Mapping[str, str] | None = None
    stretch: Stretch | None = None
    build: BuildSheet | None = None
    baseline: Baseline | None = None
    out: Path | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Diagnosis:
    """What one recording shows. Prints as its summary, and as a small table in a notebook.

    Attributes:
        path, kind: what was read, and what it is in a word or two.
        profile: what it was decoded and judged by.
        duration: data time, ns.
        assessment: what the signature found, and what the build sheet foretold beside it.
        alarms: each time an alarm stood, in the order they were raised.
        load: how much the alarms asked of a person.
        events: all that happened, in order; without the seconds before an alarm, which `channels` holds.
        odd: what was odd in the input, by plain-worded kind.
        unused: columns of a table that are no channel of the profile.
        unknown_buses: channels of the recording that are no bus of the profile.
        session: the session folder that was left, None for none.
        unkept: what is missing from it, by plain-worded kind; empty when nothing is.
        asked: of each channel that the car was asked for, how often it came, and was wanted.
        foreign: identifiers that came where none of the profile did, most frames first; empty where any did.
    """

    path: Path
    kind: str
    profile: Profile
    duration: int
    assessment: Assessment
    alarms: tuple[AlarmSpell, ...]
    load: LoadFigures
    events: tuple[Event, ...]
    odd: Mapping[str, int]
    unused: tuple[str, ...]
    unknown_buses: tuple[str, ...]
    session: Path | None
    terms: Terms
    asked: Mapping[str, Rate] = field(default_factory=dict)
    foreign: tuple[IdentifierCount, ...] = ()
    unkept: Mapping[str, int] = field(default_factory=dict)

    @property
    def wrong_profile(self) -> str:
        """Where no frame of the recording is in the profile: what the profile has and what came instead; else empty."""
        if not self.foreign:
            return ""
        named = ", ".join(f"0x{one.identifier:X}" for one in self.foreign[:MOST_FOREIGN])
        more = len(self.foreign) - MOST_FOREIGN
        return (
            f"The profile is not that of this recording: none of its {len(self.profile.messages)} identifiers came; "
            f"these came instead: {named}" + (f" and {more} more." if more > 0 else ".")
        )

    @property
    def verdict(self) -> str:
        """`fits`, `strained`, `misfit` or `unproven`."""
        return self.assessment.finding.verdict.word

    @property
    def causes(self) -> tuple[Cause, ...]:
        """What explains it, likeliest first; empty where nothing could be weighed."""
        return self.assessment.finding.causes

    @property
    def pulls(self) -> tuple[Pull, ...]:
        """The last sixty full-pedal runs."""
        return self.assessment.finding.pulls

    def channels(self, *names: str, every: float | None = None) -> ChannelTable:
        """The channels named (all when none is) as columns, read from the recording anew.

        Args:
            every: s of data time between rows; every tick when None.

        Raises:
            UsageError: the profile has no such channel.
            SourceError: the recording is gone.
        """
        from livewatch.diagnosis.channel_table import read_channels

        source = open_source(self.path, self.profile, self.terms.buses, self.terms.stretch)
        return read_channels(source, self.profile, names, every)

    def to_json(self) -> dict[str, Any]:
        """The documented object; see the module."""
        return {
            "diagnosis": DIAGNOSIS_FORMAT,
            "livewatch": __version__,
            "source": str(self.path),
            "profile": self.profile.name,
            "duration": round(self.duration / 1e9, 6),
            "duration_unit": "s",
            **self.assessment.to_json(),
            "alarms": [spell.to_json() for spell in self.alarms],
            "alarm_load": self.load.to_json(),
            "odd": dict(self.odd),
            "wrong_profile": self.wrong_profile or None,
            **self._answered(),
        }

    @property
    def fault_codes(self) -> tuple[CodeEvidence, ...]:
        """The car's own fault codes beside what was measured; empty where it was not asked or has none."""
        return self.assessment.finding.verdict.codes

    @property
    def caveats(self) -> tuple[str, ...]:
        """What answers that came too rarely leave open; empty where the car was not asked."""
        if not self.asked:
            return ()
        from livewatch.wording.car import rate_caveats  # late: most cars are not asked

        return tuple(rate_caveats(self.asked))

    def _answered(self) -> dict[str, Any]:
        """How often asked channels came and were wanted, and what that leaves open; nothing where none was asked."""
        if not self.asked:
            return {}
        achieved = {name: round(rate.achieved, 2) for name, rate in self.asked.items()}
        wanted = {name: None if isnan(rate.wanted) else round(rate.wanted, 2) for name, rate in self.asked.items()}
        missing = [*self.assessment.finding.missing, *self.caveats]
        return {"missing": missing, "asked": achieved, "asked_unit": "1/s", "wanted": wanted, "wanted_unit": "1/s"}

    @property
    def title(self) -> str:
        """What was read, what it is, how long."""
        from livewatch.wording.events import clock_text

        return f"{self.path} · {self.kind} · {clock_text(self.duration / 1e9)} long"

    def page(self) -> str:
        """All that was found, for a person: plain text, 79 columns."""
        from livewatch.diagnosis.page import page

        return page(self.assessment.finding, self.assessment.build, self.caveats)

    def __str__(self) -> str:
        from livewatch.diagnosis.summary import as_lines, facts_of

        return as_lines(self.title, facts_of(self.assessment, self.alarms, self.odd))

    def __repr__(self) -> str:
        return f"<Diagnosis of {str(self.path)!r}: {self.verdict}>"

    def _repr_html_(self) -> str:
        from livewatch.diagnosis.summary import as_table, facts_of

        return as_table(self.title, facts_of(self.assessment, self.alarms, self.odd))


@overload
def diagnose(  # type: ignore[overload-overlap]
    paths: AnyPath,
    profile: Profile | AnyPath | None = None,
    *,
    buses: Mapping[str, str] | None = None,
    start: float = 0.0,
    stop: float | None = None,
    build_sheet: BuildSheet | AnyPath | None = None,
    baseline: AnyPath | None = None,
) -> Diagnosis: ...
@overload
def diagnose(
    paths: Iterable[AnyPath],
    profile: Profile | AnyPath | None = None,
    *,
    buses: Mapping[str, str] | None = None,
    start: float = 0.0,
    stop: float | None = None,
    build_sheet: BuildSheet | AnyPath | None = None,
    baseline: AnyPath | None = None,
) -> list[Diagnosis]: ...
def diagnose(
    paths: AnyPath | Iterable[AnyPath],
    profile: Profile | AnyPath | None = None,
    *,
    buses: Mapping[str, str] | None = None,
    start: float = 0.0,
    stop: float | None = None,
    build_sheet: BuildSheet | AnyPath | None = None,
    baseline: AnyPath | None = None,
) -> Diagnosis | list[Diagnosis]:
    """What a recording, a table or a session folder shows; for several paths, a list in their order.

    Args:
        profile: the vehicle's profile, its file, or the name of one that comes with livewatch; None takes the one that
            a session folder carries.
        buses: channel of the recording to bus of the profile, where their names do not tell.
        start, stop: the stretch wanted, s after the first row; `stop` None for the end.
        build_sheet: the car's build sheet or its file: what it predicts is set beside what is measured.
        baseline: a drive on matching parts, to compare with.

    Raises:
        MistakesError: the profile or the build sheet has mistakes.
        SourceError: one of `paths` cannot be read.
        UsageError: there is no profile of that name, or none is given and none is carried.
    """
    single = isinstance(paths, str | Path)
    wanted = [Path(paths)] if isinstance(paths, str | Path) else [Path(path) for path in paths]
    if isinstance(build_sheet, str | Path):
        from livewatch.build_sheet.sheet import load_build_sheet  # late: a run without a build sheet needs none

        build_sheet = load_build_sheet(Path(build_sheet))
    stretch = Stretch(round(start * 1e9), None if stop is None else round(stop * 1e9))
    given = profile if profile is None or isinstance(profile, Profile) else load_profile(profile)
    found = []
    for path in wanted:
        known = profile_for(path, given)
        drive = None if baseline is None else read_baseline(Path(baseline), known, buses)
        found.append(diagnose_one(path, known, Terms(buses, stretch, build_sheet, drive)))
    return found[0] if single else found


def diagnose_one(
    path: Path, profile: Profile, terms: Terms, progress: Callable[[float], None] | None = None
) -> Diagnosis:
    """Read all of one recording; `progress` is told the share read, 0..1.

    Raises:
        SourceError: it cannot be read.
        SessionError: the session folder asked for cannot be made.
    """
    source = open_source(path, profile, terms.buses, terms.stretch)
    recorder = None if terms.out is None else _recorder(terms.out, profile, source)
    forecast = None
    if terms.build is not None:
        from livewatch.build_sheet.forecast import predict

        forecast = predict(terms.build, profile)
    run = Run(profile, recorder, Signature(profile, terms.baseline))
    book, events = SpellBook(), list[Event]()

    def hear(told: Sequence[Event]) -> None:
        book.observe(told)
        events.extend(map(without_lead_up, told))

    run.listeners.append(hear)
    read_through(source, run, progress)
    pipeline = run.pipeline
    return Diagnosis(
        path,
        source.kind,
        profile,
        pipeline.time,
        assess(run.signature, forecast),
        tuple(book.spells),
        pipeline.alarms.figures(),
        tuple(events),
        dict(sorted(pipeline.counts.items())),
        source.unused,
        source.unknown_buses,
        None if recorder is None else recorder.folder.path,
        terms,
        rates_of(pipeline),
        _foreign(pipeline, events),
        {} if recorder is None else _unkept(recorder),
    )


def _unkept(recorder: Recorder) -> dict[str, int]:
    """What a closed recorder did not keep."""
    return recorder.losses or ({} if recorder.finished else {"session folder not closed": 1})


def _foreign(pipeline: Pipeline, events: Sequence[Event]) -> tuple[IdentifierCount, ...]:
    """The identifiers that came, where every frame was one that the profile does not know."""
    unknown = pipeline.counts.get(NOT_IN_PROFILE, 0)
    rows = next((event.rows for event in reversed(events) if isinstance(event, RunEnded)), 0)
    came = pipeline.decoder.odd_identifiers().get(NOT_IN_PROFILE, ())
    others = unknown + pipeline.counts.get(SENT_DATA, 0)
    return tuple(came) if pipeline.profile.messages and unknown and others == rows else ()


def _recorder(out: Path, profile: Profile, source: Source) -> Recorder:
    from livewatch.session.folder import Session  # late, as is the build sheet: most runs leave no folder
    from livewatch.session.recorder import Recorder

    return Recorder(Session.create(out, profile, [source.name]), may_wait=True)


def read_baseline(path: Path, profile: Profile, buses: Mapping[str, str] | None = None) -> Baseline:
    """A drive on matching parts, to compare others with.

    Raises:
        SourceError: it cannot be read.
    """
    run = Run(profile)
    read_through(open_source(path, profile, buses), run)
    return run.signature.as_baseline()
