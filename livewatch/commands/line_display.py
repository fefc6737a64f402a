"""The line display: events as lines, and below them one line that says how things stand now.

For a terminal without the dashboard, for a log, for a pipe. Events are handed to a `Printer` as they are announced;
where output is a terminal, a status line follows the data, redrawn four times a second. An alarm that is announced
before it is on the disk says so, and so does what is wrong with the recording or an adapter, as long as it lasts.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from concurrent.futures import Future
from types import TracebackType
from typing import TYPE_CHECKING, Self

from rich.text import Text

from livewatch import Event, Recorder, Run, RunEnded, RunStarted
from livewatch.commands.printing import Printer
from livewatch.wording.cautions import CAUTION
from livewatch.wording.events import clock_text, sentence, tone

if TYPE_CHECKING:
    from livewatch.run.live import LiveRun  # a replay needs no adapter's library

__all__ = ["LineDisplay"]

REDRAW_EVERY = 0.25
QUIET = (RunStarted, RunEnded)


class LineDisplay:
    """A listener of a run; use it as a context.

    Args:
        run: what is shown.
        printer: where to print.
        live: the live run behind it; None for a replay.
    """

    def __init__(self, run: Run, printer: Printer, live: LiveRun | None = None) -> None:
        self._run = run
        self._printer = printer
        self._live = live
        self._drawn = 0.0
        self._asked: Future[Text] | None = None
        self._early = False
        self._troubles: dict[str, str] = {}
        self._shown = [channel for channel in run.profile.channels if channel.name in run.profile.figures]
        self._shown.sort(key=lambda channel: run.profile.figures.index(channel.name))

    def __enter__(self) -> Self:
        self._printer.line(Text(CAUTION, style="italic"))
        self._run.listeners.append(self.show)
        if self._live is not None:
            self._live.announcer.disk_listeners.append(self.show_disk)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._run.listeners.remove(self.show)

    def show(self, events: Sequence[Event]) -> None:
        """Print what has been announced."""
        early, self._early = self._early, False
        for event in events:
            if isinstance(event, QUIET):
                continue
            said = "  (not yet on the disk)" if early and Recorder.matters(event) else ""
            clock = f"{clock_text(event.time / 1e9):>9}"
            self._printer.line(Text.assemble((clock, "dim"), "  ", (sentence(event), tone(event)), (said, "bold")))

    def show_disk(self, events: Sequence[Event], there: bool) -> None:
        """Remember that what comes next is announced early, or say that it is on the disk by now."""
        if not there:
            self._early = True
            return
        since = clock_text(events[0].time / 1e9)
        what = "what was announced" if len(events) > 1 else (events[0].subject or "the end").replace("_", " ")
        self._printer.line(Text(f"{since:>9}  On the disk now: {what}."))

    def redraw(self) -> None:
        """Bring the status line up to date, if it is time, and say what has gone wrong since."""
        now = time.monotonic()
        if now - self._drawn < REDRAW_EVERY:
            return
        self._drawn = now
        self._say_troubles()
        if not self._printer.shows_status:
            return
        if self._live is None:
            self._printer.status(self._status())
        elif self._asked is None or self._asked.done():
            if self._asked is not None and self._asked.exception() is None:
                self._printer.status(self._asked.result())
            self._asked = self._live.submit(self._status)

    def _say_troubles(self) -> None:
        troubles: dict[str, str] = {}
        recorder = self._run.recorder
        if isinstance(recorder, Recorder) and (trouble := recorder.trouble):
            troubles["The recording"] = trouble
        for follower in recorder.followers if isinstance(recorder, Recorder) else ():
            if follower.trouble:
                troubles["Publishing"] = follower.trouble
        for bus in () if self._live is None else self._live.statuses():
            if bus.state in ("lost", "bus off"):
                troubles[f"Bus {bus.name}"] = f"{bus.state}: {bus.trouble}"
        here = f"{clock_text(self._run.pipeline.time / 1e9):>9}  "
        for what, trouble in troubles.items():
            if what not in self._troubles:
                self._printer.line(Text(f"{here}{what}: {trouble}.", style="bold"))
        for what in self._troubles.keys() - troubles.keys():
            self._printer.line(Text(f"{here}{what} is all right again.", style="bold"))
        self._troubles = troubles

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
