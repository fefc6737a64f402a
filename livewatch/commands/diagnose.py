"""`livewatch diagnose`: recordings as fast as they can be read, and what they show.

Only what a run needs is imported here, and names of the front door when they are used: the processes of a pile are on
their way before this one has loaded what it needs itself. What prints a page is loaded where one is printed.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

import livewatch
from livewatch import UsageError
from livewatch.commands.lines import say, tell_failure, tell_session
from livewatch.commands.options import bus_option, profile_option, stretch_of, stretch_options
from livewatch.run.pool import start_early

if TYPE_CHECKING:
    from livewatch import Pile, Recordings

__all__ = ["diagnose"]


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
    help="A drive on matching parts to compare with: a recording, a session folder, or a folder of sessions, of which "
    "the best of this vehicle is taken.",
)
@click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    help="Also leave a session folder with the event log here.",
)
@click.option(
    "--table",
    "tables",
    multiple=True,
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="Write a table, worst first, to FILE.csv, FILE.parquet or FILE.html. Repeatable.",
)
@click.option(
    "--reports",
    metavar="FOLDER",
    type=click.Path(path_type=Path, file_okay=False),
    help="Also leave a report of each recording there; the table links to it.",
)
@click.option("--scheduler", metavar="ADDRESS", help="Read on the machines of a dask scheduler: tcp://192.0.2.7:8786.")
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
    tables: tuple[Path, ...],
    scheduler: str | None,
    reports: Path | None,
) -> int:
    """Read PATHS (recordings, tables or session folders) as fast as it goes and say what they show: whether the
    calibration fits the parts, what is wrong and by how much, the alarms, and what was odd.

    A folder of recordings gives a table, worst first. It is read on all cores; cut short, the same command goes on.

    \b
      livewatch diagnose drive.log -p brackwell_20t
      livewatch diagnose *.blf -p brackwell_20t --json > drives.jsonl
      livewatch diagnose recordings/ -p brackwell_20t --table drives.html --reports reports
    """
    if scheduler is None:
        start_early(paths)
    sheet = None if build is None else livewatch.load_build_sheet(build)
    if baseline is not None and _is_folder(baseline):
        baseline = _from_shelf(baseline, paths[0], profile_name)
    terms = livewatch.Terms(stretch=stretch_of(start, stop), build=sheet, out=out)
    pile = livewatch.Pile(profile_name, bus_options, terms, baseline)
    if tables or scheduler or reports or any(map(_is_folder, paths)):
        if as_json and not (tables or scheduler or reports):
            return _print_json(_recordings(paths).paths, pile)
        if as_json or out is not None:
            raise UsageError(
                "--table, --reports and --scheduler give a row for each recording: leave out --json, --out"
            )
        from livewatch.commands.pile_page import print_pile

        return print_pile(_recordings(paths, tables), pile, tables, scheduler, reports)
    if as_json:
        return _print_json(paths, pile)
    from livewatch.commands.diagnosis_page import print_pages

    return print_pages(paths, pile)


def _is_folder(path: Path) -> bool:
    """Whether it holds recordings: a session folder is one."""
    return path.is_dir() and livewatch.is_pile(path)


def _from_shelf(folder: Path, path: Path, profile_name: str | None) -> Path:
    """The best session in `folder` to compare a drive of this vehicle with."""
    vehicle = livewatch.profile_for(path, profile_name).name
    shelf = livewatch.Shelf(folder)
    shelf.refresh()
    found = [one for one in shelf.baselines(vehicle) if one.path.resolve() != path.resolve()]
    if not found:
        raise livewatch.SourceError(
            f"{folder}: no session of {vehicle!r} in it fits in every system and has no critical alarm; expected one "
            "driven on matching parts (`livewatch shelf --baselines`)"
        )
    say(f"Compared with {found[0].path}", error=True)
    return found[0].path


def _recordings(paths: tuple[Path, ...], tables: tuple[Path, ...] = ()) -> Recordings:
    found = livewatch.recordings_in(paths, tables)
    if not found.paths:
        named = ", ".join(map(str, paths))
        raise livewatch.SourceError(f"{named}: no recording, table or session folder is in it")
    return found


def _print_json(paths: tuple[Path, ...], pile: Pile) -> int:
    failures = 0
    outcomes = [pile.diagnose(paths[0])] if len(paths) == 1 else livewatch.diagnose_pile(paths, pile)
    for outcome in outcomes:
        if isinstance(outcome, livewatch.Diagnosis):
            failures = max(failures, tell_session(outcome))
            say(json.dumps(outcome.to_json(), ensure_ascii=False, allow_nan=False))
        else:
            failures = max(failures, tell_failure(outcome))
    return failures
