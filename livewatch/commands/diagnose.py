"""`livewatch diagnose`: recordings as fast as they can be read, and what they show."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import click
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn
from rich.table import Table

from livewatch import (
    Baseline,
    Diagnosis,
    LivewatchError,
    Profile,
    Terms,
    diagnose_one,
    load_build_sheet,
    parse_bus_options,
    profile_for,
    read_baseline,
)
from livewatch.commands.line_display import CAUTION
from livewatch.commands.options import bus_option, profile_option, stretch_of, stretch_options
from livewatch.commands.page import Page, say
from livewatch.wording.assessment_page import page
from livewatch.wording.events import MARKS, clock_text, fact_words

__all__ = ["diagnose"]

MOST_SPELLS = 20


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
    terms = Terms(stretch=stretch, build=None if build is None else load_build_sheet(build), out=out)
    read = _Reader(profile_name, bus_options, terms, baseline, as_json)
    console, failures, done = Page(), 0, []
    for path in paths:
        try:
            diagnosis = read(path)
        except LivewatchError as error:
            if len(paths) == 1:
                raise
            say(f"livewatch: {error}", error=True)
            failures = max(failures, error.exit_code)
            continue
        if as_json:
            say(json.dumps(diagnosis.to_json(), ensure_ascii=False, allow_nan=False))
        else:
            _print(diagnosis, console)
        done.append(diagnosis)
    if not as_json:
        if len(done) > 1:
            console.print(_overview(done))
        console.print(CAUTION, style="italic")
    return failures


class _Reader:
    """Reads one recording after the other by the same terms."""

    def __init__(
        self, profile_name: str | None, bus_options: Sequence[str], terms: Terms, baseline: Path | None, quiet: bool
    ) -> None:
        self._profile_name = profile_name
        self._bus_options = bus_options
        self._terms = terms
        self._baseline_path = baseline
        self._quiet = quiet

    def __call__(self, path: Path) -> Diagnosis:
        profile = profile_for(path, self._profile_name)
        buses = parse_bus_options(self._bus_options, profile)
        terms = replace(self._terms, buses=buses, baseline=self._baseline(profile, buses))
        said = Page(stderr=True)
        columns = (TextColumn("{task.description}", markup=False), BarColumn(), TimeRemainingColumn())
        with Progress(*columns, console=said, transient=True, disable=self._quiet or not said.is_terminal) as bar:
            task = bar.add_task(str(path), total=1.0)
            diagnosis = diagnose_one(path, profile, terms, lambda share: bar.update(task, completed=share))
        if diagnosis.session is not None:
            say(f"The session folder is {diagnosis.session}", error=True)
        return diagnosis

    def _baseline(self, profile: Profile, buses: Mapping[str, str]) -> Baseline | None:
        return None if self._baseline_path is None else read_baseline(self._baseline_path, profile, buses)


def _print(diagnosis: Diagnosis, console: Page) -> None:
    """A page for a person."""
    title = f"{diagnosis.path} · {diagnosis.kind} · {clock_text(diagnosis.duration / 1e9)} long"
    console.rule(title, align="left", style="dim")
    console.print(page(diagnosis.assessment.finding, diagnosis.assessment.build))
    console.print(_alarm_table(diagnosis) if diagnosis.alarms else "No alarm was raised.")
    if len(diagnosis.alarms) > MOST_SPELLS:
        console.print(f"... and {len(diagnosis.alarms) - MOST_SPELLS} more; --json has them all.")
    load = diagnosis.load
    if load.floods or load.chattering:
        console.print(f"Alarm floods: {load.floods}; chattering: {', '.join(load.chattering) or 'none'}.")
    if diagnosis.odd:
        console.print("Odd in the input:", style="bold")
        for what, number in diagnosis.odd.items():
            console.print(f"  {number:>9} {what}")
    if diagnosis.unused:
        console.print(f"Columns that are no channel of the profile: {', '.join(diagnosis.unused)}.")
    if diagnosis.unknown_buses:
        buses = list(diagnosis.profile.buses)
        console.print(
            f"Channels of the recording that are no bus of the profile: {', '.join(diagnosis.unknown_buses)}. "
            f"The profile has {', '.join(buses)}; say for example --bus {buses[0]}={diagnosis.unknown_buses[0]}."
        )


def _alarm_table(diagnosis: Diagnosis) -> Table:
    table = Table(box=None, padding=(0, 2, 0, 0), header_style="dim")
    for heading in ("from", "to", "priority", "alarm", "because"):
        table.add_column(heading, overflow="fold")
    for spell in diagnosis.alarms[:MOST_SPELLS]:
        table.add_row(
            clock_text(spell.start),
            "stands" if spell.end is None else clock_text(spell.end),
            f"{MARKS[spell.priority]} {spell.priority}",
            spell.alarm.replace("_", " ") + (" (first out)" if spell.first_out else ""),
            ", ".join(fact_words(spell.because)),
        )
    return table


def _overview(diagnoses: Sequence[Diagnosis]) -> Table:
    """One line a recording, for the one who has forty of them."""
    table = Table(title="All recordings", title_justify="left", box=None, padding=(0, 2, 0, 0), header_style="dim")
    for heading in ("recording", "verdict", "cause", "critical", "high", "other"):
        table.add_column(heading)
    for diagnosis in diagnoses:
        counts = [sum(spell.priority == priority for spell in diagnosis.alarms) for priority in ("critical", "high")]
        other = len(diagnosis.alarms) - sum(counts)
        cause = diagnosis.causes[0].name if diagnosis.causes else ""
        table.add_row(str(diagnosis.path), diagnosis.verdict, cause, *map(str, [*counts, other]))
    return table
