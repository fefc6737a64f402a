"""Shows a run on the terminal from start to end, and starts the screen again should it fail: the run goes on."""

from __future__ import annotations

import tempfile
import time as wall
import traceback
from pathlib import Path

from livewatch.dashboard.app import Dashboard
from livewatch.dashboard.content.watched_run import WatchedRun

__all__ = ["show"]

ATTEMPTS = 3


def show(watched: WatchedRun, view: str, lasting: float | None = None) -> None:
    """Until the person quits, or for `lasting` seconds at the most. A fault of the screen is kept in a file and the
    screen started again; the run behind it is not touched. What still fails is raised."""
    watched.start()
    end = None if lasting is None else wall.monotonic() + lasting
    try:
        said = ""
        for attempt in range(ATTEMPTS):
            app = Dashboard(watched, view, said=said, lasting=None if end is None else end - wall.monotonic())
            app.run()
            if app.fault is None:
                return
            if attempt == ATTEMPTS - 1:
                raise app.fault
            said = f"The screen failed and was started again; {_kept(app.fault)}."
            view = app.view
    finally:
        watched.stop()


def _kept(fault: Exception) -> str:
    try:
        with tempfile.NamedTemporaryFile(
            "w", prefix="livewatch-screen-", suffix=".txt", delete=False, encoding="utf-8"
        ) as file:
            file.write("".join(traceback.format_exception(fault)))
    except OSError:
        return "the details could not be kept"
    return f"the details are in {Path(file.name)}"
