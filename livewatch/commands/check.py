"""`livewatch check`: a build sheet against a calibration, before a wheel turns.

`--json` prints one object, format version 1 (fields stay, new ones may be added): `check`, `sheet`, `profile`;
`full_load` with `advised_against` and `reasons`; `differences`, each with slot, family, cause, found,
needs_another_calibration (yes, no, unknown), severity, why, need by working point, size, missing, notes; `authority` by
working point, in per cent; `full_load_lambda`; `fuel_supply`; `not_compared`; `cautions`; `assumed`; and, with
`--drive`, `beside`.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from textwrap import wrap
from typing import Any

import click
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from livewatch import (
    Comparison,
    Forecast,
    Prediction,
    Profile,
    SourceError,
    compare_with_drive,
    load_profile,
    predict,
)
from livewatch.commands.options import profile_option
from livewatch.commands.page import Page, say
from livewatch.commands.sheets import load_sheet
from livewatch.wording.forecast import (
    CONDITIONS,
    RECALIBRATE,
    SEVERITY_MARKS,
    engine_text,
    in_words,
    need_rows,
    supply_lines,
)

__all__ = ["ADVISED_AGAINST", "check"]

ADVISED_AGAINST = 5
"""Exit code."""
WIDEST = 100
"""Characters of a line of prose."""
CAUTIONS = (
    "A sheet is what somebody wrote down: nothing here is measured. Look at the parts themselves.",
    "Full load only on a closed course or a dyno: car restrained, air moving, fire extinguisher at hand. The driver "
    "drives, a passenger reads.",
    "livewatch protects no engine. Local law (exhaust and noise among it) and licensed practice come first.",
)
EPILOG = """\b
Exit codes
  0 nothing on the sheet speaks against full load   3 mistakes in the sheet or the profile
  5 a full-load run is advised against              2 no such profile or sheet
"""


@click.command(epilog=EPILOG)
@click.argument("sheet", metavar="SHEET")
@profile_option(required=True)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
@click.option(
    "--drive",
    type=click.Path(path_type=Path),
    help="What `livewatch diagnose --json` printed for a drive: measured is set beside predicted.",
)
def check(sheet: str, profile_name: str, as_json: bool, drive: Path | None) -> int:
    """Compare SHEET, a build sheet with the parts calibrated for and the parts fitted, on the engine of a profile.

    Says which differences need another calibration, why, what they will take, and whether full load should wait.

    \b
      livewatch check -p brackwell_20t brackwell_20t_build
      livewatch check -p mycar.yaml mycar_build.yaml --json
    """
    profile = load_profile(profile_name)
    forecast = predict(load_sheet(sheet), profile)
    beside = None if drive is None else compare_with_drive(forecast, _read_drive(drive))
    if as_json:
        said = forecast.to_json()
        if beside is not None:
            said["beside"] = [comparison.to_json() for comparison in beside]
        say(json.dumps(said, ensure_ascii=False, indent=2, allow_nan=False))
    else:
        _print(forecast, profile, beside, Page())
    return ADVISED_AGAINST if forecast.is_full_load_advised_against else 0


def _read_drive(path: Path) -> Mapping[str, Any]:
    try:
        lines = [line for line in path.read_text(encoding="utf-8").splitlines() if line.strip()]
    except (OSError, UnicodeDecodeError) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else "is no text"
        raise SourceError(f"{path}: {reason}") from None
    expected = "expected the one object that `livewatch diagnose --json` prints for a drive"
    try:
        said = json.loads("\n".join(lines))
    except json.JSONDecodeError:
        raise SourceError(f"{path}: {len(lines)} lines that are not one JSON object: {expected}") from None
    if not isinstance(said, dict) or "causes" not in said:
        raise SourceError(f"{path}: {expected}")
    return said


def _print(forecast: Forecast, profile: Profile, beside: Sequence[Comparison] | None, console: Page) -> None:
    assert profile.engine is not None
    _line(console, f"Build sheet: {forecast.sheet.name}", indent=0)
    _line(console, f"Profile: {profile.name}; {engine_text(profile.engine)}", indent=0)
    _section(console, "Full load")
    _print_answer(forecast, console)
    if forecast.predictions:
        _section(console, "Differences, as far as the sheet tells")
        for before, prediction in zip((None, *forecast.predictions), forecast.predictions, strict=False):
            _print_prediction(prediction, before, console)
        _section(console, "Need predicted: what the calibration would have to be multiplied by")
        console.print(_need_table(forecast))
        commanded, uncorrected = forecast.uncorrected_lambda
        if abs(uncorrected - commanded) >= 0.005:
            _line(
                console,
                f"Lambda at full load where no trim is carried over: {uncorrected:.2f}, commanded {commanded:.2f}.",
            )
    _section(console, "Fuel supply of the parts fitted, at full load")
    for line in supply_lines(forecast.supply):
        _line(console, line)
    if beside is not None:
        _section(console, "Predicted beside measured")
        for comparison in beside:
            _line(console, comparison.sentence, "- ")
        if not beside:
            _line(console, "Nothing was predicted, and the drive shows no cause.")
    _print_gaps(forecast, console)
    _section(console, "Caution")
    for caution in CAUTIONS:
        _line(console, caution, "- ")


def _print_answer(forecast: Forecast, console: Page) -> None:
    if forecast.is_full_load_advised_against:
        _line(
            console, "ADVISED AGAINST until it is recalibrated (what is unknown: until it is measured):", style="bold"
        )
        for reason in forecast.refusals:
            _line(console, reason, "- ")
    elif any(prediction.recalibrate != "no" for prediction in forecast.predictions):
        _line(console, "Nothing on the sheet makes it dangerous by itself; what needs another calibration comes first.")
    else:
        _line(console, "Nothing on the sheet speaks against it.")


def _print_prediction(prediction: Prediction, before: Prediction | None, console: Page) -> None:
    title = f"{SEVERITY_MARKS[prediction.severity]} {in_words(prediction.slot)}: {prediction.severity}; "
    _line(console, title + RECALIBRATE[prediction.recalibrate], style="bold", indent=0)
    if before is None or before.found != prediction.found:
        _line(console, prediction.found, indent=4)
    _line(console, prediction.why, indent=4)
    for missing in prediction.missing:
        _line(console, f"missing: {missing}", indent=4)
    for note in prediction.notes:
        _line(console, note, indent=4)


def _need_table(forecast: Forecast) -> Padding:
    table = Table(box=None, padding=(0, 2, 0, 0), header_style="dim")
    table.add_column("")
    for condition in CONDITIONS:
        table.add_column(condition, justify="right")
    for row in need_rows(forecast):
        table.add_row(*row)
    return Padding(table, (0, 0, 0, 2), expand=False)


def _print_gaps(forecast: Forecast, console: Page) -> None:
    if not (forecast.not_compared or forecast.cautions or forecast.assumed):
        return
    _section(console, "What this rests on")
    for caution in forecast.cautions:
        _line(console, caution, "- ")
    if forecast.not_compared:
        slots = ", ".join(map(in_words, forecast.not_compared))
        _line(
            console, f"Not compared, because the sheet does not say what is fitted: {slots}. Write `same` where it is."
        )
    for condition, what in forecast.assumed.items():
        _line(console, f"Taken from common practice at {condition}: {', '.join(what)}.")


def _section(console: Page, title: str) -> None:
    console.print()
    console.print(title, style="dim")


def _line(console: Page, text: str, bullet: str = "", indent: int = 2, style: str = "") -> None:
    first = " " * indent
    wrapped = wrap(text, min(console.width, WIDEST), initial_indent=first + bullet,
                   subsequent_indent=first + " " * len(bullet), break_on_hyphens=False)  # fmt: skip
    for line in wrapped:
        console.print(Text(line, style=style), soft_wrap=True)
