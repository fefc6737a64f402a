"""A source played as if it were live, into a session folder, as lines."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from rich.text import Text

from livewatch import Profile, Recorder, Run, Session, Source
from livewatch.commands.line_display import LineDisplay
from livewatch.commands.lines import code_of
from livewatch.commands.page import Page
from livewatch.commands.printing import Printer
from livewatch.commands.publishing import Between, published
from livewatch.run.history import History
from livewatch.run.pacing import paced
from livewatch.wording.recording import kept_sentence

if TYPE_CHECKING:
    from livewatch.publish.settings import PublishSettings

__all__ = ["play_lines"]

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
