"""`livewatch report`: one drive as one file that a person can be handed.

What draws is loaded once the recording has been read, and for HTML alone.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, TypeVar

import click

from livewatch import LivewatchError, Pile, Terms, UsageError, check_writable, files_read, write_whole
from livewatch.commands.options import bus_option, profile_option, stretch_of, stretch_options
from livewatch.commands.page import say

__all__ = ["format_of", "format_option", "hand_over", "json_text", "output_option", "private_option", "report"]

ENDINGS = {".html": "html", ".htm": "html", ".md": "md", ".txt": "text", ".json": "json"}
"""Of names of files, and the formats they say."""
FORMATS = ("html", "md", "json")

Command = TypeVar("Command", bound=Callable[..., Any])

output_option = click.option(
    "--output",
    "-o",
    type=click.Path(path_type=Path, dir_okay=False),
    help="The file to write; its ending says the format.",
)
private_option = click.option(
    "--private", is_flag=True, help="With positions and identification numbers, which are left out otherwise."
)


def format_option(*formats: str) -> Callable[[Command], Command]:
    """`--format`, one of those given."""
    return click.option(
        "--format", "given_format", type=click.Choice(formats), help="The format; else by the ending of --output."
    )


def format_of(given: str | None, output: Path | None, formats: Sequence[str]) -> str:
    """The format wanted, of `formats`: as given, by the ending of the output, or the first.

    Raises:
        UsageError: the ending is that of none.
    """
    endings = {one: kind for one, kind in ENDINGS.items() if kind in formats}
    if given is not None or output is None:
        return given or formats[0]
    if output.suffix.casefold() not in endings:
        more = "; a browser prints the HTML page as PDF" if output.suffix.casefold() == ".pdf" else ""
        raise UsageError(f"--output {output}: expected a name that ends in {', '.join(endings)}, or --format{more}")
    return endings[output.suffix.casefold()]


def json_text(value: Any, private: bool) -> str:
    """Plain data as a file of JSON."""
    from livewatch.report.layout import plain_json

    return json.dumps(plain_json(value, private), ensure_ascii=False, allow_nan=False, indent=1) + "\n"


def hand_over(text: str, output: Path | None) -> None:
    """Write the text to a file, whole or not at all, and say so; or print it.

    Raises:
        LivewatchError: it cannot be written.
    """
    if output is None:
        say(text.rstrip("\n"))
        return
    try:
        write_whole(output, text.encode("utf-8", "backslashreplace"), certain=True)
    except OSError as error:
        raise LivewatchError(
            f"{output} was not written: {error.strerror or error}; name another file with --output"
        ) from None
    say(f"Written: {output}", error=True)


@click.command()
@click.argument("path", metavar="SESSION_OR_RECORDING", type=click.Path(path_type=Path))
@profile_option(required=False)
@bus_option("Which channel of the recording is which bus of the profile, for example engine=can0. Repeatable.")
@stretch_options
@click.option("--build", type=click.Path(path_type=Path), help="The car's build sheet: foretold beside measured.")
@click.option("--baseline", type=click.Path(path_type=Path), help="A drive on matching parts to compare with.")
@output_option
@format_option(*FORMATS)
@private_option
def report(
    path: Path,
    profile_name: str | None,
    bus_options: tuple[str, ...],
    start: int,
    stop: int | None,
    build: Path | None,
    baseline: Path | None,
    output: Path | None,
    given_format: str | None,
    private: bool,
) -> int:
    """Read a recording, a table or a session folder and write what it shows as one file: the verdict by system in
    everyday words, the evidence in pictures, sizes, alarms, what to do next, and what the data could not show.

    The HTML file holds everything and asks nothing of any network; print it to A4 from any browser. Without --output
    it is written beside you as NAME_report.html; Markdown and JSON are printed.

    \b
      livewatch report sessions/NAME
      livewatch report drive.log -p brackwell_20t --build brackwell_20t_build.yaml -o for_the_workshop.html
    """
    kind = format_of(given_format, output, FORMATS)
    if kind == "html" and output is None:
        output = Path(f"{path.resolve().name.split('.')[0] or 'drive'}_report.html")
    if output is not None:
        check_writable(output, [*files_read(path), *(one for one in (build, baseline) if one is not None)])
    sheet = None
    if build is not None:
        from livewatch import load_build_sheet

        sheet = load_build_sheet(build)
    terms = Terms(stretch=stretch_of(start, stop), build=sheet)
    diagnosis = Pile(profile_name, bus_options, terms, baseline).diagnose(path)
    from livewatch.report.layout import lay_out
    from livewatch.report.report import report_of

    made = report_of(diagnosis, private=private)
    is_json = kind == "json"
    text = json_text(made.to_json(), private) if is_json else lay_out(f"report.{kind}.j2", private=private, report=made)
    hand_over(text, output)
    return 0
