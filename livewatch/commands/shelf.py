"""`livewatch shelf`: the sessions in a folder, found by vehicle, date, verdict, alarm or part; a car's history."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from itertools import groupby
from pathlib import Path

import click
from rich.progress import Progress
from rich.table import Table

from livewatch import Shelf, ShelfFilter, Shelved
from livewatch.commands.page import Page, say
from livewatch.errors import SourceError
from livewatch.wording.events import clock_text
from livewatch.wording.shown import shown

__all__ = ["shelf"]

MARKS = {"misfit": "!", "strained": "~", "unproven": "?", "not read": "×", "fits": "="}
WIDEST = 15.0
"""Per cent of need at the ends of the scale of a history."""
SCALE = 15
"""Characters of it."""


def _date(ctx: click.Context, param: click.Parameter, value: str | None) -> str:
    if value is None:
        return ""
    if not re.fullmatch(r"\d{4}(-\d{2}(-\d{2}(T\d{2}(:\d{2}){0,2})?)?)?", value):
        raise click.BadParameter(f"{value!r} is no date; expected for example 2026-05-04 or 2026-05", ctx, param)
    return value


@click.command()
@click.argument("folder", type=click.Path(path_type=Path), default=Path("sessions"))
@click.option("--vehicle", default="", metavar="TEXT", help="Only vehicles with this in the name of their profile.")
@click.option("--since", callback=_date, metavar="DATE", help="Begun on this day or later: 2026-05-04, 2026-05.")
@click.option("--until", callback=_date, metavar="DATE", help="Begun on this day or earlier.")
@click.option("--verdict", default="", type=click.Choice(["", *MARKS]), metavar="WORD", help=", ".join(MARKS) + ".")
@click.option("--alarm", default="", metavar="TEXT", help="Only where an alarm with this in its name was raised.")
@click.option("--part", default="", metavar="TEXT", help="Only where such a part is suspected, or fitted.")
@click.option("--baselines", is_flag=True, help="Only what a drive may be compared with, the best first.")
@click.option("--history", is_flag=True, help="Each vehicle over time: verdict, need for fuel, what is suspected.")
@click.option("--rebuild", is_flag=True, help="Forget the index and read every session anew.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object for each session, a line each.")
def shelf(
    folder: Path,
    vehicle: str,
    since: str,
    until: str,
    verdict: str,
    alarm: str,
    part: str,
    baselines: bool,
    history: bool,
    rebuild: bool,
    as_json: bool,
) -> int:
    """Find the sessions in FOLDER (`sessions` if not given). What each shows is worked out once and kept in an index.

    A session belongs to the vehicle that its profile names; a `build_sheet.yaml` put into its folder says what is
    fitted.

    \b
      livewatch shelf
      livewatch shelf --vehicle brackwell --verdict misfit --part injector
      livewatch shelf --vehicle brackwell --history
      livewatch diagnose drive.log -p brackwell_20t --baseline sessions
    """
    found = Shelf(folder)
    if rebuild:
        found.rebuild()
    said = Page(stderr=True)
    with Progress(console=said, transient=True, disable=not said.is_terminal) as bar:
        task = bar.add_task("reading sessions")
        unread = found.refresh(lambda done, total: bar.update(task, completed=done, total=total))
    for place, why in unread:
        say(f"Not looked into: {place}: {why}", error=True)
    sessions = found.find(ShelfFilter(vehicle, since, until, verdict, alarm, part))
    if baselines:
        names = dict.fromkeys(one.vehicle for one in sessions)
        wanted = {one.path for one in sessions}
        sessions = [one for name in names for one in found.baselines(name) if one.path in wanted]
    code = SourceError.exit_code if unread else 0
    if as_json:
        for one in sessions:
            say(json.dumps(one.to_json(), ensure_ascii=False, allow_nan=False))
        return code
    console = Page()
    if not sessions:
        is_empty = not found.find()
        console.print(f"No session {'is in' if is_empty else 'like that is in'} {shown(str(folder))}.")
    for name, group in groupby(sessions, key=lambda one: one.vehicle):
        console.print(shown(name), style="bold")
        if history:
            console.print(_history(list(group), folder))
        else:
            console.print(_listing(list(group), folder, newest_first=not baselines))
    return code


def _listing(sessions: Sequence[Shelved], folder: Path, newest_first: bool) -> Table:
    table = Table(box=None, padding=(0, 2, 0, 0), header_style="dim")
    table.add_column("begun (UTC)", no_wrap=True)
    table.add_column("length", justify="right", no_wrap=True)
    table.add_column("verdict", no_wrap=True)
    table.add_column("alarms", justify="right", no_wrap=True)
    table.add_column("because, and where", overflow="fold")
    for one in reversed(sessions) if newest_first else sessions:
        row = one.row
        because = "; ".join(row.titles) or (row.sentence if row.exit_code else "")
        where = shown(str(one.path.relative_to(folder)))
        table.add_row(
            one.started[:16].replace("T", " "),
            clock_text(row.duration).split(".")[0],
            f"{MARKS[row.verdict]} {row.verdict}",
            _alarms(one),
            f"{shown(because)}\n{where}" if because else where,
        )
    return table


def _history(sessions: Sequence[Shelved], folder: Path) -> Table:
    """The oldest first, with need on a scale, so that a change is seen."""
    table = Table(box=None, padding=(0, 2, 0, 0), header_style="dim")
    table.add_column("begun (UTC)", no_wrap=True)
    table.add_column("verdict", no_wrap=True)
    table.add_column(f"need ±{WIDEST:.0f} %", no_wrap=True)
    table.add_column("%", justify="right", no_wrap=True)
    table.add_column("alarms", justify="right", no_wrap=True)
    table.add_column("suspected", overflow="fold")
    before: tuple[str, ...] = ()
    for one in sessions:
        row = one.row
        gone = [cause.replace("_", " ") for cause in before if cause not in row.causes and row.verdict == "fits"]
        words = [cause.replace("_", " ") for cause in row.causes] + [f"no more: {cause}" for cause in gone]
        table.add_row(
            one.started[:16].replace("T", " "),
            f"{MARKS[row.verdict]} {row.verdict}",
            _on_scale(row.need),
            "" if row.need is None else f"{row.need:+.1f}",
            _alarms(one),
            shown("; ".join(words)),
        )
        before = row.causes or before
    return table


def _alarms(one: Shelved) -> str:
    critical, high = one.row.priorities["critical"], one.row.priorities["high"]
    return "" if one.row.exit_code else f"{critical}/{high}/{sum(one.row.priorities.values()) - critical - high}"


def _on_scale(need: float | None) -> str:
    middle = SCALE // 2
    cells = ["·"] * SCALE
    cells[middle] = "|"
    if need is not None:
        place = round(max(-1.0, min(1.0, need / WIDEST)) * middle) + middle
        cells[place] = "<" if need < -WIDEST else ">" if need > WIDEST else "o"
    return "".join(cells)
