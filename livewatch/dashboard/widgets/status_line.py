"""The top row: what is watched, when it is, where it comes from, and whether it is being kept."""

from __future__ import annotations

import math

from livewatch.dashboard.drawing.fitting import Steady
from livewatch.dashboard.drawing.sheet import Sheet
from livewatch.dashboard.look import Look
from livewatch.dashboard.widgets.drawn import Drawn
from livewatch.dashboard.widgets.heading import MARGIN
from livewatch.wording.events import clock_text

__all__ = ["StatusLine"]


class StatusLine(Drawn):
    """One quiet row. What is wrong with the source is said in the headline; here stands what is right."""

    def __init__(self, *, id: str | None = None, classes: str | None = None) -> None:
        super().__init__(id=id, classes=classes)
        self._steady = Steady()

    def draw(self, sheet: Sheet, look: Look) -> None:
        picture = self.picture
        if picture is None:
            return
        right = sheet.width - 2
        facts = self._facts(look)
        for text, ink in reversed(facts):
            right = sheet.write_right(right, 0, text, ink) - 3
        # The name of the car is the one thing here that a person knows without reading it.
        name = picture.profile.name
        names = (name, name.partition(",")[0], "")
        fitted = self._steady.fit((len(facts), name), names, max(0, right - MARGIN), 1)
        sheet.write(MARGIN, 0, fitted.lines[0], "quiet")

    def _facts(self, look: Look) -> list[tuple[str, str]]:
        picture = self.picture
        assert picture is not None
        clock = clock_text(picture.time / 1e9).partition(".")[0]
        facts: list[tuple[str, str]] = []
        if look.player is not None:
            facts.append((f"replay {clock}", "ink"))
        else:
            facts.append((f"{'ended' if picture.ended else 'live'} {clock}", "ink"))
            rate = sum(bus.rate for bus in picture.buses if math.isfinite(bus.rate))
            if picture.buses:
                facts.append((f"{rate:.0f} frames/s", "quiet"))
        if picture.recording:
            words = picture.recording if self.size.width >= 100 else picture.recording.partition(",")[0]
            facts.append((words, "quiet"))
        if look.flood:
            facts.append(("ALARM FLOOD", "high"))
        if look.silenced:
            facts.append(("silenced", "ink"))
        return facts
