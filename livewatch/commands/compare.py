"""`livewatch compare`: two or more drives of one car, before and after."""

from __future__ import annotations

import io
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click
from rich.table import Table

from livewatch import (
    Diagnosis,
    LivewatchError,
    Pile,
    UsageError,
    changes_over,
    check_writable,
    diagnose_pile,
    files_read,
)
from livewatch.commands.options import bus_option, profile_option
from livewatch.commands.page import Page
from livewatch.commands.report import format_of, format_option, hand_over, json_text, output_option, private_option
from livewatch.wording.cautions import CAUTION

if TYPE_CHECKING:
    from livewatch.report.comparison import ComparisonPage
    from livewatch.report.pulls import PullsPage
    from livewatch.report.report import Row

__all__ = ["FORMATS", "compare", "hand_over_page", "over_drives", "read_drives", "table_of"]

FORMATS = ("text", "html", "json")

Command = TypeVar("Command", bound=Callable[..., Any])


class _DriveError(LivewatchError):
    """One of the drives cannot be diagnosed."""

    def __init__(self, text: str, exit_code: int) -> None:
        super().__init__(text)
        self.exit_code = exit_code


def read_drives(
    paths: Sequence[Path], profile_name: str | None, bus_options: Sequence[str], output: Path | None
) -> list[Diagnosis]:
    """What each of the paths shows; for `output`, if anything can be written there.

    Raises:
        LivewatchError: one of them cannot be diagnosed.
    """
    if output is not None:
        check_writable(output, [file for path in paths for file in files_read(path)])
    found = []
    for outcome in diagnose_pile(paths, Pile(profile_name, bus_options)):
        if not isinstance(outcome, Diagnosis):
            raise _DriveError(outcome.text, outcome.exit_code)
        found.append(outcome)
    return found


def over_drives(metavar: str) -> Callable[[Command], Command]:
    """The paths and the options of a command that lays out several drives on one page."""
    buses = "Which channel of the recordings is which bus of the profile, for example engine=can0. Repeatable."

    def command_of(command: Command) -> Command:
        for option in (private_option, format_option(*FORMATS), output_option, bus_option(buses),
                       profile_option(required=False)):  # fmt: skip
            command = option(command)
        paths = click.argument("paths", metavar=metavar, nargs=-1, required=True, type=click.Path(path_type=Path))
        return paths(command)

    return command_of


@click.command()
@over_drives("EARLIER LATER...")
def compare(
    paths: tuple[Path, ...],
    profile_name: str | None,
    bus_options: tuple[str, ...],
    output: Path | None,
    given_format: str | None,
    private: bool,
) -> int:
    """Set drives of one car side by side, earliest first: before and after a recalibration, or over a year. Says system
    by system whether it is fixed, better, the same or worse, with what was measured at the same operating regions.

    \b
      livewatch compare before.log after.log -p brackwell_20t
      livewatch compare sessions/MAY sessions/JUNE -o compared.html
    """
    if len(paths) < 2:
        raise UsageError(f"nothing to compare {paths[0]} with: expected two or more drives of one car, earliest first")
    kind = format_of(given_format, output, FORMATS)
    drives = read_drives(paths, profile_name, bus_options, output)
    changes = changes_over(drives)
    from livewatch.report.comparison import comparison_page

    made = comparison_page(changes, drives, draw=kind == "html")
    hand_over_page(made, "comparison.html.j2", kind, output, private, lambda console: _print(made, console))
    return 0


def hand_over_page(
    made: ComparisonPage | PullsPage,
    template: str,
    kind: str,
    output: Path | None,
    private: bool,
    printed: Callable[[Page], None],
) -> None:
    """Write or print a page over several drives as JSON, HTML or text, which `printed` prints.

    Raises:
        LivewatchError: it cannot be written.
    """
    from livewatch.report.layout import lay_out

    if kind == "json":
        hand_over(json_text(made.to_json(), private), output)
    elif kind == "html":
        hand_over(lay_out(template, private=private, page_of=made, caution=CAUTION), output)
    else:
        written = io.StringIO()
        console = Page() if output is None else Page(file=written)
        printed(console)
        console.print(CAUTION, style="italic")
        if output is not None:
            hand_over(written.getvalue(), output)


def _print(made: ComparisonPage, console: Page) -> None:
    for one in made.changes:
        console.rule(f"{one.before} → {one.after}", align="left", style="dim")
        console.print(one.whole, style="bold")
        console.print(table_of(("system", "turn", "before", "after", "the furthest from right"), one.systems))
        if one.measures:
            heads = ("measured in both", "before (95 %)", "after (95 %)", "difference", "beyond everyday", "regions")
            console.print(table_of(heads, one.measures))
        if one.alarms:
            console.print(table_of(("alarm", "priority", "before", "after", "turn"), one.alarms))
        for text in one.change.cautions:
            console.print(f"- {text}")


def table_of(heads: Sequence[str], rows: Sequence[Row]) -> Table:
    """A table without rules."""
    table = Table(box=None, padding=(0, 2, 0, 0), header_style="dim")
    for head in heads:
        table.add_column(head, overflow="fold")
    for row in rows:
        table.add_row(row.head, *row.cells)
    return table
