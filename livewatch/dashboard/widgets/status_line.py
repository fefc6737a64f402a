"""The top row: what is watched, when it is, where it comes from, and whether it is being kept."""

from __future__ import annotations

import math

from livewatch.dashboard.content.view_state import ViewState
from livewatch.dashboard.drawing.canvas import Canvas
from livewatch.dashboard.widgets.canvas_widget import CanvasWidget
from livewatch.dashboard.widgets.heading import MARGIN
from livewatch.wording.events import clock_text

__all__ = ["StatusLine"]


class StatusLine(CanvasWidget):
    """One quiet row. What is wrong with the source is said in the headline; here stands what is right."""

    def draw(self, canvas: Canvas, view: ViewState) -> None:
        snapshot = self.snapshot
        if snapshot is None:
            return
        right = canvas.width - 2
        facts = self._facts(view)
        for text, ink in reversed(facts):
            right = canvas.write_right(right, 0, text, ink) - 3
        # The name of the car is the one thing here that a person knows without reading it.
        name = snapshot.profile.name
        names = (name, name.partition(",")[0], "")
        fitted = self._steady.fit((len(facts), name), names, max(0, right - MARGIN), 1)
        canvas.write(MARGIN, 0, fitted.lines[0], "quiet")

    def _facts(self, view: ViewState) -> list[tuple[str, str]]:
        snapshot = self.snapshot
        assert snapshot is not None
        clock, unheard = _clock(snapshot.time / 1e9), view.headline.unheard
        facts: list[tuple[str, str]] = []
        if view.player is not None:
            facts.append((f"replay {clock}", "ink"))
        elif unheard is not None:
            facts.append((f"no answer for {_clock(unheard)}" if math.isfinite(unheard) else "no answer yet", "ink"))
        else:
            facts.append((f"{'ended' if snapshot.ended else 'live'} {clock}", "ink"))
            rate = sum(bus.rate for bus in snapshot.buses if math.isfinite(bus.rate))
            if snapshot.buses:
                facts.append((f"{rate:.0f} frames/s", "quiet"))
        if snapshot.recording:
            facts.append((snapshot.recording[0 if self.size.width >= 100 else -1], "quiet"))
        if view.flood:
            facts.append(("ALARM FLOOD", "high"))
        if view.silenced:
            facts.append(("silenced", "ink"))
        return facts


def _clock(seconds: float) -> str:
    return clock_text(seconds).partition(".")[0]
