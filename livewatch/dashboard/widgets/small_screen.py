"""What is left on a terminal too small for the views: the headline, and how large it would have to be."""

from __future__ import annotations

from livewatch.dashboard.drawing.sheet import Sheet
from livewatch.dashboard.look import Look
from livewatch.dashboard.widgets.drawn import Drawn
from livewatch.dashboard.widgets.heading import wrapped

__all__ = ["SmallScreen"]


class SmallScreen(Drawn):
    """Text only."""

    def draw(self, sheet: Sheet, look: Look) -> None:
        line = look.headline
        urgent = line.priority == "critical" and not line.answered
        ink = "critical-fill" if urgent else line.priority or "quiet"
        if urgent:
            sheet.fill(0, 0, sheet.width, sheet.height - 1, ink, " ")
        y = 0
        if line.word:
            sheet.write(0, y, f"{line.shape} {line.word}", ink, sheet.width)
            y += 1
        for part in (line.action, line.reason, line.more):
            if not part:
                continue
            for text in wrapped(part, sheet.width, max(1, sheet.height - 1 - y)):
                sheet.write(0, y, text, ink if urgent else "loud" if line.word else "ink", sheet.width)
                y += 1
        said = f"The views need 80 x 24 cells; here are {sheet.width} x {sheet.height}."
        short = f"needs 80 x 24, has {sheet.width} x {sheet.height}"
        sheet.write(0, sheet.height - 1, said if len(said) <= sheet.width else short, "quiet", sheet.width)
