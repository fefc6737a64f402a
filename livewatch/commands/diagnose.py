"""`livewatch diagnose`: recordings as fast as they can be read, and what they show."""

from __future__ import annotations

import json
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import click
from rich.console import Console
from rich.markup import escape
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn
from rich.table import Table

from livewatch import __version__
from livewatch.alarms.spells import Spell, SpellBook
from livewatch.build_sheet.sheet import BuildSheet, load_build_sheet
from livewatch.commands.line_display import CAUTION
from livewatch.commands.options import bus_option, choose_profile, profile_option, stretch_of, stretch_options
from livewatch.errors import LivewatchError
from livewatch.profile.model import Profile
from livewatch.run.opening import Source, open_source
from livewatch.run.reading import read_through
from livewatch.run.run import Run
from livewatch.session.folder import SessionFolder
from livewatch.session.recorder import Recorder
from livewatch.signature import Signature
from livewatch.signature.baseline import Baseline
from livewatch.sources.bus_map import parse_bus_options
from livewatch.wording.events import MARKS, clock_text, facts_of

__all__ = ["DIAGNOSIS_FORMAT", "Diagnosis", "diagnose"]

DIAGNOSIS_FORMAT = 1
MOST_SPELLS = 20


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """What one recording shows: the run it went through, its alarm spells, and what was odd."""

    source: Source
    run: Run
    spells: Sequence[Spell]

    @classmethod
    def of(cls, source: Source, run: Run, progress: Any = None) -> Diagnosis:
        """Push all of `source` through `run`."""
        book = SpellBook()
        run.listeners.append(book.take)
        read_through(source, run, progress)
        return cls(source, run, book.spells)

    def to_json(self) -> dict[str, Any]:
        """The documented object: format version, source, profile, length, alarms, figures, counts, signature."""
        pipeline = self.run.pipeline
        figures = pipeline.alarms.figures()
        return {
            "diagnosis": DIAGNOSIS_FORMAT,
            "livewatch": __version__,
            "source": self.source.name,
            "profile": self.run.profile.name,
            "duration": round(pipeline.time / 1e9, 6),
            "duration_unit": "s",
            **self.run.signature.assessment().to_json(),
            "alarms": [spell.to_json() for spell in self.spells],
            "alarm_load": {
                "raised": figures.raised,
                "per_ten_minutes": round(figures.average, 3),
                "most_in_ten_minutes": figures.peak,
                "floods": figures.floods,
                "chattering": dict(figures.chattering),
            },
            "odd": dict(sorted(pipeline.counts.items())),
        }

    def print(self, console: Console) -> None:
        """A page for a person."""
        pipeline = self.run.pipeline
        title = f"{self.source.name} · {self.source.kind} · {clock_text(pipeline.time / 1e9)} long"
        console.rule(escape(title), align="left", style="dim")
        console.print(self.run.signature.assessment().to_text(), highlight=False)
        console.print(self._alarm_table() if self.spells else "No alarm was raised.")
        if len(self.spells) > MOST_SPELLS:
            console.print(f"... and {len(self.spells) - MOST_SPELLS} more; --json has them all.")
        figures = pipeline.alarms.figures()
        if figures.floods or figures.chattering:
            console.print(f"Alarm floods: {figures.floods}; chattering: {', '.join(figures.chattering) or 'none'}.")
        if pipeline.counts:
            console.print("Odd in the input:", style="bold")
            for what, number in sorted(pipeline.counts.items()):
                console.print(f"  {number:>9} {what}", highlight=False)
        if self.source.unused:
            console.print(f"Columns that are no channel of the profile: {', '.join(self.source.unused)}.", markup=False)
        if self.source.unknown_buses:
            buses = ", ".join(self.run.profile.buses)
            console.print(
                f"Channels of the recording that are no bus of the profile: {', '.join(self.source.unknown_buses)}. "
                f"The profile has {buses}; say for example --bus {buses.split(', ')[0]}={self.source.unknown_buses[0]}."
            )

    def _alarm_table(self) -> Table:
        table = Table(box=None, padding=(0, 2, 0, 0), header_style="dim")
        for heading in ("from", "to", "priority", "alarm", "because"):
            table.add_column(heading, overflow="fold")
        for spell in self.spells[:MOST_SPELLS]:
            table.add_row(
                clock_text(spell.start),
                "stands" if spell.end is None else clock_text(spell.end),
                f"{MARKS[spell.priority]} {spell.priority}",
                escape(spell.alarm.replace("_", " ")) + (" (first out)" if spell.first_out else ""),
                escape(", ".join(facts_of(spell.because))),
            )
        return table


@click.command()
@click.argument("paths", nargs=-1, required=True, type=click.Path(path_type=Path))
@profile_option(required=False)
@bus_option("Which channel of the recordings is which bus of the profile, for example engine=can0. Repeatable.")
@stretch_options
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object for each recording, a line each.")
@click.option(
    "--build",
    type=click.Path(path_type=Path),
    help="The car's build sheet: what was predicted is set beside what is measured.",
)
@click.option(
    "--baseline",
    type=click.Path(path_type=Path),
    help="A drive on matching parts (a recording or a session folder) to compare with.",
)
@click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    help="Also leave a session folder with the event log here.",
)
def diagnose(
    paths: tuple[Path, ...],
    profile_name: str | None,
    bus_options: tuple[str, ...],
    start: int,
    stop: int | None,
    as_json: bool,
    build: Path | None,
    baseline: Path | None,
    out: Path | None,
) -> int:
    """Read PATHS (recordings, tables or session folders) as fast as it goes and say what they show: whether the
    calibration fits the parts, what is wrong and by how much, the alarms, and what was odd.

    \b
      livewatch diagnose drive.log -p brackwell_20t
      livewatch diagnose *.blf -p brackwell_20t --json > drives.jsonl
    """
    stretch = stretch_of(start, stop)
    sheet = None if build is None else load_build_sheet(build)
    console, failures, done = Console(), 0, []
    for path in paths:
        try:
            profile = choose_profile(profile_name, path)
            given = parse_bus_options(bus_options, profile)
            signature = _signature(profile, sheet, baseline, given)
            diagnosis = _read(open_source(path, profile, given, stretch), profile, signature, out, as_json)
        except LivewatchError as error:
            if len(paths) == 1:
                raise
            print(f"livewatch: {error}", file=sys.stderr)
            failures = max(failures, error.exit_code)
            continue
        if as_json:
            print(json.dumps(diagnosis.to_json(), ensure_ascii=False, allow_nan=False))
        else:
            diagnosis.print(console)
        done.append(diagnosis)
    if not as_json:
        if len(done) > 1:
            console.print(_overview(done))
        console.print(CAUTION, style="italic")
    return failures


def _signature(profile: Profile, sheet: BuildSheet | None, baseline: Path | None, given: dict[str, str]) -> Signature:
    known = None
    if baseline is not None:
        run = Run(profile)
        read_through(open_source(baseline, profile, given), run)
        known = Baseline.of(run.signature)
    return Signature(profile, build=sheet, baseline=known)


def _read(source: Source, profile: Profile, signature: Signature, out: Path | None, quiet: bool) -> Diagnosis:
    recorder = None
    if out is not None:
        recorder = Recorder(SessionFolder.create(out, profile, [source.name]), may_wait=True)
    run = Run(profile, recorder, signature)
    columns = (TextColumn("{task.description}"), BarColumn(), TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True, disable=quiet) as bar:
        task = bar.add_task(escape(source.name), total=1.0)
        diagnosis = Diagnosis.of(source, run, lambda share: bar.update(task, completed=share))
    if recorder is not None:
        print(f"The session folder is {recorder.folder.path}", file=sys.stderr)
    return diagnosis


def _overview(diagnoses: Sequence[Diagnosis]) -> Table:
    """One line a recording, for the one who has forty of them."""
    table = Table(title="All recordings", title_justify="left", box=None, padding=(0, 2, 0, 0), header_style="dim")
    for heading in ("recording", "verdict", "cause", "critical", "high", "other"):
        table.add_column(heading)
    for diagnosis in diagnoses:
        result = diagnosis.run.signature.assessment().to_json()
        causes = result.get("causes", [])
        counts = [sum(spell.priority == priority for spell in diagnosis.spells) for priority in ("critical", "high")]
        other = len(diagnosis.spells) - sum(counts)
        cause = str(causes[0]["cause"]) if causes else ""
        table.add_row(escape(diagnosis.source.name), str(result["verdict"]), cause, *map(str, [*counts, other]))
    return table
