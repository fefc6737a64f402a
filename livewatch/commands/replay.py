"""`livewatch replay`: a recording, a table or a session folder, played as if it were live.

On a terminal the cautions are on the screen at once, while what draws the dashboard is still being loaded: little is
imported before them.
"""

from __future__ import annotations

import sys
from functools import partial
from pathlib import Path

import click

import livewatch
from livewatch.commands.lines import say
from livewatch.commands.options import (
    bus_option,
    lines_option,
    out_option,
    profile_option,
    stretch_of,
    stretch_options,
)
from livewatch.commands.publishing import publish_options, settings_of
from livewatch.wording.cautions import CAUTION

__all__ = ["replay"]

FASTEST = 1000.0


def read_speed(text: str) -> float | None:
    """`10`, `0.5x` or `max` as a factor; None for as fast as it goes.

    Raises:
        UsageError: it is none of these.
    """
    if text == "max":
        return None
    try:
        speed = float(text.removesuffix("x"))
    except ValueError:
        speed = 0.0
    if not 0.01 <= speed <= FASTEST:
        raise livewatch.UsageError(
            f"--speed {text!r}: expected a factor from 0.01 to {FASTEST:g} such as 10 or 0.5, or max"
        )
    return speed


@click.command()
@click.argument("path", type=click.Path(path_type=Path))
@profile_option(required=False)
@bus_option("Which channel of the recording is which bus of the profile, for example engine=can0. Repeatable.")
@click.option(
    "--speed",
    default="1",
    show_default=True,
    help="How fast: a factor such as 10 or 0.5, or max for as fast as it goes.",
)
@stretch_options
@lines_option
@publish_options
@out_option
@click.option(
    "--verify",
    "verifying",
    is_flag=True,
    help="Play nothing: say whether this version gives the events that a session folder has on record.",
)
@click.option("--json", "as_json", is_flag=True, help="With --verify: one JSON object for each session folder.")
def replay(
    path: Path,
    profile_name: str | None,
    bus_options: tuple[str, ...],
    speed: str,
    start: int,
    stop: int | None,
    lines: bool,
    broker: str | None,
    publish_frames: bool,
    allow_acknowledge: bool,
    out: Path,
    verifying: bool,
    as_json: bool,
) -> int:
    """Play PATH (a recording, a table of channels, or a session folder) as if it were live.

    Alarms are raised and cleared at their moments and logged in a session folder, whatever the speed.

    \b
      livewatch replay drive.log -p brackwell_20t
      livewatch replay drive.log -p brackwell_20t --speed 10 --from 2:00 --to 5:00
      livewatch replay sessions/brackwell-20260504T093000Z --speed max --lines
      livewatch replay --verify sessions

    With --verify the exit code is 7 where other events are found than recorded.
    """
    if verifying:
        from livewatch.commands.verification_page import print_verification

        return print_verification(path, profile_name, as_json)
    if as_json:
        raise livewatch.UsageError(
            "--json goes with --verify; `livewatch diagnose --json` gives what a recording shows"
        )
    factor = read_speed(speed)
    on_screen = sys.stdout.isatty() and not lines
    if on_screen:
        say(f"livewatch is opening {path}. {CAUTION}")
        sys.stdout.flush()
    profile = livewatch.profile_for(path, profile_name)
    given = livewatch.parse_bus_options(bus_options, profile)
    open_again = partial(livewatch.open_source, path, profile, given, stretch_of(start, stop))
    source = open_again()
    settings = settings_of(profile, broker, publish_frames, allow_acknowledge, by_profile=False)
    if on_screen:
        from livewatch.commands.playing_on_screen import play_on_screen

        return play_on_screen(open_again, source.name, profile, factor, out, settings)
    from livewatch.commands.page import Page
    from livewatch.commands.playing import play_lines

    return play_lines(source, profile, factor, out, Page(), settings)
