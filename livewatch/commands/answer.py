"""`livewatch answer`: a build sheet, and a drive where there is one, in words for a customer."""

from __future__ import annotations

from pathlib import Path

import click

from livewatch import Pile, check_writable, files_read, predict, profile_for
from livewatch.commands.options import bus_option, profile_option
from livewatch.commands.report import format_of, format_option, hand_over, json_text, output_option, private_option
from livewatch.commands.sheets import load_sheet

__all__ = ["answer"]

FORMATS = ("text", "html", "md", "json")
WORDS = {
    "yes": "another calibration is needed",
    "no": "no other calibration is needed",
    "unknown": "not known until it is measured",
}


@click.command()
@click.argument("sheet", metavar="BUILD_SHEET")
@click.argument("drive", metavar="[SESSION_OR_RECORDING]", required=False, type=click.Path(path_type=Path))
@profile_option(required=False)
@bus_option("Which channel of the recording is which bus of the profile, for example engine=can0. Repeatable.")
@output_option
@format_option(*FORMATS)
@private_option
def answer(
    sheet: str,
    drive: Path | None,
    profile_name: str | None,
    bus_options: tuple[str, ...],
    output: Path | None,
    given_format: str | None,
    private: bool,
) -> int:
    """Say on one page, in everyday words, whether the parts on BUILD_SHEET need another calibration, what would happen
    without, what not to do until then, and what is still to be found out. A drive adds what was measured.

    Printed as plain text for a message unless --output or --format says otherwise.

    \b
      livewatch answer -p brackwell_20t brackwell_20t_build
      livewatch answer -p mycar.yaml mycar_build.yaml drive.log -o answer.html
    """
    kind = format_of(given_format, output, FORMATS)
    if output is not None:
        check_writable(output, [Path(sheet), *(() if drive is None else files_read(drive))])
    profile = profile_for(drive, profile_name)
    forecast = predict(load_sheet(sheet), profile)
    diagnosis = None if drive is None else Pile(profile, bus_options).diagnose(drive)
    from livewatch.report.answer import answer_of
    from livewatch.report.layout import lay_out

    said = answer_of(forecast, diagnosis)
    if kind == "json":
        text = json_text(said.to_json(), private)
    else:
        text = lay_out(f"answer.{kind}.j2", private=private, answer=said, words=WORDS)
    hand_over(text, output)
    return 0
