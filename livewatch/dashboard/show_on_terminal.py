"""Shows a run on the terminal from start to end, and starts the screen again should it fail: the run goes on.

It ends by a key, by itself, or by a signal (Ctrl-C, a terminal that goes away, a request to end), each way in order."""

from __future__ import annotations

import signal
import tempfile
import time as wall
import traceback
from pathlib import Path

from livewatch.dashboard.app import Dashboard
from livewatch.dashboard.content.watched_run import WatchedRun
from livewatch.run.asked_to_end import signals_noted

__all__ = ["show"]

ATTEMPTS = 3
TERMINAL_GONE = 128 + 1
"""The exit code that SIGHUP makes, which Windows does not know."""


def show(watched: WatchedRun, view: str, lasting: float | None = None) -> int:
    """Until the person quits or a signal comes, or for `lasting` seconds at the most; the exit code. A fault of the
    screen is kept in a file and the screen started again; the run behind it is not touched. What still fails is
    raised."""
    with signals_noted("SIGINT", "SIGTERM", "SIGHUP") as noted:
        watched.start()
        try:
            gone = _show(watched, view, lasting, noted)
        finally:
            watched.stop()
    if noted:
        # Ctrl-C is how a person ends a program.
        return 0 if noted[0] == signal.SIGINT else 128 + noted[0]
    return TERMINAL_GONE if gone else 0


def _show(watched: WatchedRun, view: str, lasting: float | None, noted: list[int]) -> bool:
    """Whether it ended because the terminal went away."""
    end = None if lasting is None else wall.monotonic() + lasting
    said, attempt = "", 0
    while True:
        left = None if end is None else end - wall.monotonic()
        app = Dashboard(watched, view, said=said, lasting=left, asked_to_end=lambda: bool(noted))
        app.run()
        if app.fault is None or noted or app.terminal_gone:
            return app.terminal_gone
        attempt += 1
        if attempt == ATTEMPTS:
            raise app.fault
        said = f"The screen failed and was started again; {_kept(app.fault)}."
        view = app.view


def _kept(fault: Exception) -> str:
    try:
        with tempfile.NamedTemporaryFile(
            "w", prefix="livewatch-screen-", suffix=".txt", delete=False, encoding="utf-8"
        ) as file:
            file.write("".join(traceback.format_exception(fault)))
    except OSError:
        return "the details could not be kept"
    return f"the details are in {Path(file.name)}"
