"""A source played as if it were live, into a session folder: as lines, or in the dashboard."""

from __future__ import annotations

import signal
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from rich.text import Text

from livewatch import Profile, Recorder, Run, Session, Source
from livewatch.commands.line_display import LineDisplay
from livewatch.commands.lines import code_of
from livewatch.commands.page import Page
from livewatch.commands.printing import Printer, say_last
from livewatch.commands.publishing import Between, published
from livewatch.run.history import History
from livewatch.run.pacing import paced
from livewatch.wording.recording import kept_sentence

if TYPE_CHECKING:
    from livewatch.publish.settings import PublishSettings

__all__ = ["play_lines", "play_on_screen"]

FOR_READING = 3600.0
"""Seconds that a reader has for the last lines of a replay."""


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


def play_on_screen(
    open_source: Callable[[], Source],
    name: str,
    profile: Profile,
    speed: float | None,
    out: Path,
    settings: PublishSettings | None = None,
) -> int:
    """The same in the dashboard, where a person moves to and fro: `open_source` opens the source called `name` anew."""
    from livewatch.dashboard import show_replay
    from livewatch.run.player import Player

    folder = Session.create(out, profile, [name])
    recorder = Recorder(folder, may_wait=True)
    player = Player(open_source, profile, recorder, speed=speed)
    with published(settings, recorder, lambda: player.run, player.submit, player.apply, replaying=True):
        code = show_replay(player)
    say_last(kept_sentence(recorder), sys.stdout)
    return code_of(recorder, code)
