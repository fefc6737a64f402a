"""The line display: events as lines, and below them one line that says how things stand now.

For a terminal without the dashboard, for a log, for a pipe. Events are printed as they are announced; where output is
a terminal, a status line follows the data, redrawn four times a second and never waited for.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from types import TracebackType
from typing import Self

from rich.live import Live
from rich.text import Text

from livewatch import Event, Run, RunEnded, RunStarted
from livewatch.commands.page import Page
from livewatch.wording.events import clock_text, sentence, tone

__all__ = ["CAUTION", "LineDisplay"]

CAUTION = (
    "The driver drives, a passenger reads. Full load only on a closed course or a dyno (car restrained, air moving, "
    "fire extinguisher at hand). livewatch protects no engine; local law and licensed practice come first."
)
REDRAW_EVERY = 0.25
QUIET = (RunStarted, RunEnded)


class LineDisplay:
    """A listener of a run; use it as a context.

    Args:
        run: what is shown.
        console: where to print.
    """

    def __init__(self, run: Run, console: Page) -> None:
        self._run = run
        self._console = console
        self._live = Live(Text(), console=console, auto_refresh=False, transient=True) if console.is_terminal else None
        self._drawn = 0.0
        self._shown = [channel for channel in run.profile.channels if channel.name in run.profile.figures]
        self._shown.sort(key=lambda channel: run.profile.figures.index(channel.name))

    def __enter__(self) -> Self:
        self._console.print(Text(CAUTION, style="italic"))
        self._run.listeners.append(self.show)
        if self._live is not None:
            self._live.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._live is not None:
            self._live.stop()
        self._run.listeners.remove(self.show)

    def show(self, events: Sequence[Event]) -> None:
        """Print what has been announced."""
        for event in events:
            if isinstance(event, QUIET):
                continue
            self._console.print(
                Text.assemble((f"{clock_text(event.time / 1e9):>9}", "dim"), "  ", (sentence(event), tone(event)))
            )

    def redraw(self) -> None:
        """Bring the status line up to date, if it is time."""
        now = time.monotonic()
        if self._live is not None and now - self._drawn >= REDRAW_EVERY:
            self._drawn = now
            self._live.update(self._status(), refresh=True)

    def _status(self) -> Text:
        pipeline = self._run.pipeline
        line = Text(f"{clock_text(pipeline.time / 1e9):>9}  ", style="bold", no_wrap=True, overflow="ellipsis")
        latest = None if self._run.history is None else self._run.history.latest
        for channel in self._shown:
            value = float("nan") if latest is None else latest.column(channel.name)[-1]
            unit = "" if channel.unit == "1" else f" {channel.unit}"
            text = f"{value:.4g}{unit}" if value == value else "unknown"
            line.append(f"{channel.name.replace('_', ' ')} {text}   ", style="none" if value == value else "dim")
        standing = [state for state in pipeline.alarms.states() if not state.acknowledged]
        if standing:
            names = ", ".join(state.name.replace("_", " ") for state in sorted(standing, key=lambda s: s.urgency))
            line.append(f"unacknowledged: {names}", style="bold")
        return line
