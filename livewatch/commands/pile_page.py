"""Many recordings for a person: how far it is while it runs, then a table, worst first.

Progress goes to standard error where that is a terminal, the table to standard output, and to files where those are
asked for. A run that is cut short keeps what it read; the same command goes on from there.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from pathlib import Path

from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn
from rich.table import Table
from rich.text import Text

from livewatch import (
    Pile,
    PileRow,
    PileWork,
    Recordings,
    Reports,
    Told,
    UsageError,
    check_writable,
    files_read,
    table_kind,
    worst_first,
    write_table,
)
from livewatch.commands.lines import say
from livewatch.commands.page import Page
from livewatch.wording.cautions import CAUTION
from livewatch.wording.shown import shown

__all__ = ["print_pile", "read_pile"]

MARKS = {"misfit": "!", "strained": "~", "unproven": "?", "not read": "×", "fits": "="}
NAMED = 5
"""Files left out that are named."""


def print_pile(
    found: Recordings, pile: Pile, tables: Sequence[Path], scheduler: str | None, reports: Path | None
) -> int:
    """Read `found`, write `tables` and reports, print the table; the worst exit code comes back.

    Raises:
        LivewatchError: the profile cannot be read, no scheduler answers, a table cannot be written.
    """
    for table in tables:
        table_kind(table)
        check_writable(table, [file for path in found.paths for file in files_read(path)])
    told = read_pile(found.paths, pile, scheduler, None if reports is None else _reports(reports))
    rows = worst_first(one.row for one in told)
    links = {one.row.recording: one.report for one in told if one.report is not None}
    problems = [one.problem for one in told if one.problem]
    lines = [*_left_out(found), *problems]
    failures = [row.exit_code for row in rows]
    failures += [4 for _ in found.unread] + [1 for _ in problems]
    try:
        for table in tables:
            write_table(table, rows, links, [*lines, CAUTION])
            say(f"The table is in {table}", error=True)
        if links:
            say(f"The reports are in {reports}", error=True)
    finally:
        _print(rows, lines, links)
    return max(failures, default=0)


def _reports(folder: Path) -> Reports:
    from livewatch.report.of_a_pile import html_report

    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UsageError(f"{folder}: no reports can be written there: {error.strerror or error}") from None
    check_writable(folder / "report.html")
    return Reports(html_report, folder)


def read_pile(paths: Sequence[Path], pile: Pile, scheduler: str | None, reports: Reports | None) -> list[Told]:
    """What became of `paths`, in their order, with progress on standard error.

    Raises:
        LivewatchError: as `print_pile`.
    """
    work = PileWork(paths, pile, reports)
    rows: dict[int, Told] = {}
    said = Page(stderr=True)
    columns = (TextColumn("{task.description}"), BarColumn(), TextColumn("time left"), TimeRemainingColumn())
    try:
        with Progress(*columns, console=said, transient=True, disable=not said.is_terminal) as bar:
            task = bar.add_task("looking at what is there", total=None)
            looked: Callable[[int], None] = lambda size: bar.reset(task, total=max(size, 1))  # noqa: E731
            for told in work.rows(scheduler, looked):
                rows[told.number] = told
                bar.update(
                    task,
                    advance=0 if told.is_known else told.size,
                    description=f"{len(rows)} of {len(paths)}",
                )
    except KeyboardInterrupt:
        say(f"{len(rows)} of {len(paths)} are read and kept: the same command goes on from there.", error=True)
        raise
    return [rows[number] for number in range(len(paths))]


def _left_out(found: Recordings) -> list[str]:
    lines = [f"Not looked into: {folder}: {why}." for folder, why in found.unread]
    if found.left_out:
        names = ", ".join(shown(path.name) for path in found.left_out[:NAMED])
        more = f" and {len(found.left_out) - NAMED} more" if len(found.left_out) > NAMED else ""
        many = f"{len(found.left_out)} files" if len(found.left_out) > 1 else "1 file"
        lines.append(f"Left out, no recording by its name: {many} ({names}{more}). To read one, name it.")
    return lines


def _print(rows: Sequence[PileRow], lines: Sequence[str], links: Mapping[str, Path]) -> None:
    console = Page()
    folder = _folder_of(rows)
    table = Table(box=None, padding=(0, 2, 0, 0), header_style="dim")
    table.add_column("recording", overflow="fold", min_width=20)
    table.add_column("verdict", no_wrap=True)
    table.add_column("alarms", justify="right", no_wrap=True)
    table.add_column("because", overflow="fold", min_width=24)
    for row in rows:
        because = "; ".join(row.titles) or ("" if row.verdict == "fits" else row.sentence)
        critical, high = row.priorities["critical"], row.priorities["high"]
        counts = f"{critical}/{high}/{sum(row.priorities.values()) - critical - high}"
        name = os.path.relpath(row.recording, folder) if folder else row.recording
        table.add_row(
            Text(shown(name), f"link {links[row.recording].absolute().as_uri()}" if row.recording in links else ""),
            f"{MARKS[row.verdict]} {row.verdict}",
            "" if row.exit_code else counts,
            shown(because.removeprefix(f"{row.recording}: ")),
        )
    if folder:
        console.print(f"In {shown(folder)}; alarms: critical/high/other", style="dim")
    console.print(table)
    words = ", ".join(f"{count} {word}" for word in MARKS if (count := sum(row.verdict == word for row in rows)))
    console.print(f"{len(rows)} recordings: {words}.")
    for line in lines:
        console.print(line)
    console.print(CAUTION, style="italic")


def _folder_of(rows: Sequence[PileRow]) -> str:
    """The folder that all are in."""
    with suppress(ValueError):  # on several drives
        return os.path.commonpath([Path(row.recording).absolute().parent for row in rows])
    return ""
