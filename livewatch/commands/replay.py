"""`livewatch replay`: a recording, a table or a session folder, played as if it were live."""

from __future__ import annotations

import signal
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import click
from rich.text import Text

from livewatch import (
    Profile,
    Recorder,
    Run,
    Session,
    Source,
    UsageError,
    open_source,
    parse_bus_options,
    profile_for,
)
from livewatch.commands.line_display import LineDisplay
from livewatch.commands.lines import code_of
from livewatch.commands.options import (
    bus_option,
    lines_option,
    out_option,
    profile_option,
    stretch_of,
    stretch_options,
)
from livewatch.commands.page import Page
from livewatch.commands.printing import Printer, say_last
from livewatch.commands.publishing import Between, publish_options, published, settings_of
from livewatch.run.history import History
from livewatch.run.pacing import paced
from livewatch.wording.recording import kept_sentence

if TYPE_CHECKING:
    from livewatch.publish.settings import PublishSettings

__all__ = ["play_lines", "replay"]

FASTEST = 1000.0
FOR_READING = 3600.0
"""Seconds that a reader has for the last lines of a replay."""


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
        raise UsageError(f"--speed {text!r}: expected a factor from 0.01 to {FASTEST:g} such as 10 or 0.5, or max")
    return speed


@contextmanager
def _undisturbed() -> Iterator[None]:
    """Ctrl-C waits until what is inside is done: a run can be closed between two pushes, not in one."""
    asked: list[int] = []
    before = signal.signal(signal.SIGINT, lambda number, _: asked.append(number))
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)
    if asked:
        raise KeyboardInterrupt


def play_lines(
    source: Source,
    profile: Profile,
    speed: float | None,
    out: Path,
    console: Page,
    settings: PublishSettings | None = None,
) -> int:
    """Play `source` with the line display, into a session folder below `out`, published as `settings` say; what comes
    back is the exit code."""
    folder = Session.create(out, profile, [source.name])
    recorder = Recorder(folder, may_wait=True)
    run = Run(profile, recorder, history=History(profile))
    printer = Printer(console, may_wait=True)
    between = Between()
    try:
        sent = published(settings, recorder, lambda: run, between.submit, replaying=True)
        with sent, LineDisplay(run, printer) as display:
            try:
                for batch in paced(source.batches(), speed):
                    if printer.gone:
                        break
                    with _undisturbed():
                        run.push(batch)
                        between.serve()
                    display.redraw()
                run.count(source.counts)
                run.close(None if printer.gone else source.end)
            finally:
                run.close()
    finally:
        printer.line(Text(kept_sentence(recorder)))
        printer.close(FOR_READING)
    return code_of(recorder)


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
        raise UsageError("--json goes with --verify; `livewatch diagnose --json` gives what a recording shows")
    profile = profile_for(path, profile_name)
    factor = read_speed(speed)
    given = parse_bus_options(bus_options, profile)
    stretch = stretch_of(start, stop)
    source = open_source(path, profile, given, stretch)
    settings = settings_of(profile, broker, publish_frames, allow_acknowledge, by_profile=False)
    if lines or not sys.stdout.isatty():
        return play_lines(source, profile, factor, out, Page(), settings)
    from livewatch.dashboard import show_replay
    from livewatch.run.player import Player

    folder = Session.create(out, profile, [source.name])
    recorder = Recorder(folder, may_wait=True)
    player = Player(lambda: open_source(path, profile, given, stretch), profile, recorder, speed=factor)
    with published(settings, recorder, lambda: player.run, player.submit, player.apply, replaying=True):
        code = show_replay(player)
    say_last(kept_sentence(recorder), sys.stdout)
    return code_of(recorder, code)
