"""`livewatch pulls`: the full-pedal pulls of one drive or several on one another, and how well they repeat."""

from __future__ import annotations

import json
from pathlib import Path

import click
from rich.table import Table

from livewatch.commands.compare import read_drives
from livewatch.commands.options import bus_option, profile_option
from livewatch.commands.page import Page
from livewatch.commands.report import format_of, format_option, hand_over, output_option, private_option
from livewatch.wording.cautions import CAUTION

__all__ = ["pulls"]


@click.command()
@click.argument("paths", metavar="SESSION_OR_RECORDING...", nargs=-1, required=True, type=click.Path(path_type=Path))
@profile_option(required=False)
@bus_option("Which channel of the recordings is which bus of the profile, for example engine=can0. Repeatable.")
@output_option
@format_option("html", "text", "json")
@private_option
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
    kind = format_of(given_format, output, "text")
    drives = read_drives(paths, profile_name, bus_options)
    from livewatch.report.layout import lay_out, plain_json
    from livewatch.report.pulls import pulls_page

    made = pulls_page(drives, draw=kind == "html")
    if kind == "json":
        text = json.dumps(plain_json(made.to_json(), private), ensure_ascii=False, allow_nan=False, indent=1) + "\n"
        hand_over(text, output)
    elif kind == "html":
        hand_over(lay_out("pulls.html.j2", private=private, page_of=made, caution=CAUTION), output)
    else:
        console = Page(record=output is not None)
        table = Table(box=None, padding=(0, 2, 0, 0), header_style="dim")
        for head in made.heads:
            table.add_column(head, overflow="fold")
        for row in made.rows:
            table.add_row(row.head, *row.cells)
        console.print(table if made.rows else "No full-pedal pull was made.")
        for line in made.lines:
            console.print(f"- {line}")
        console.print(CAUTION, style="italic")
        if output is not None:
            hand_over(console.export_text(), output)
    return 0
