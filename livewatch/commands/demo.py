"""`livewatch demo`: the most telling of the recorded drives, with nothing to set up."""

from __future__ import annotations

import sys
from pathlib import Path

import click

import livewatch
from livewatch.commands.options import lines_option, out_option
from livewatch.commands.replay import replay as replay_command

__all__ = ["demo"]

DRIVE, PROFILE = "larger_intake_bore.log.gz", "brackwell_20t"


@click.command()
@lines_option
@out_option
@click.pass_context
def demo(ctx: click.Context, lines: bool, out: Path) -> int:
    """Play a recorded drive of an invented car that has a larger intake bore than its calibration was written for.

    Opens the dashboard; where output is no terminal, prints the alarms as fast as they come and where the event log is.
    """
    path = livewatch.shipped_folder("replay_data") / DRIVE
    if lines or not sys.stdout.isatty():
        from livewatch.commands.page import Page
        from livewatch.commands.playing import play_lines

        profile = livewatch.load_profile(PROFILE)
        return play_lines(livewatch.open_source(path, profile), profile, None, out, Page())
    code: int = ctx.invoke(
        replay_command,
        path=path,
        profile_name=PROFILE,
        bus_options=(),
        speed="1",
        start=0,
        stop=None,
        lines=False,
        out=out,
    )
    return code
