"""`livewatch pulls`: the full-pedal pulls of one drive or several on one another, and how well they repeat."""

from __future__ import annotations

from pathlib import Path

import click

from livewatch.commands.compare import FORMATS, hand_over_page, over_drives, read_drives, table_of
from livewatch.commands.page import Page
from livewatch.commands.report import format_of

__all__ = ["pulls"]


@click.command()
@over_drives("SESSION_OR_RECORDING...")
def pulls(
    paths: tuple[Path, ...],
    profile_name: str | None,
    bus_options: tuple[str, ...],
    output: Path | None,
    given_format: str | None,
    private: bool,
) -> int:
    """Lay the full-pedal pulls of one or more drives on one another over engine speed, and say how well they repeat.
    With a dynamometer's torque or power and the weather: power after SAE J1349 and ISO 1585.

    \b
      livewatch pulls drive.log -p brackwell_20t
      livewatch pulls dyno.log -p dyno_cell -o pulls.html
    """
    kind = format_of(given_format, output, FORMATS)
    drives = read_drives(paths, profile_name, bus_options, output)
    from livewatch.report.pulls import pulls_page

    made = pulls_page(drives)

    def printed(console: Page) -> None:
        console.print(table_of(made.heads, made.rows) if made.rows else "No full-pedal pull was made.")
        for line in made.lines:
            console.print(f"- {line}")

    hand_over_page(made, "pulls.html.j2", kind, output, private, printed)
    return 0
