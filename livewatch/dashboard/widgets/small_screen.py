"""What is left on a terminal too small for the views: the headline, and how large it would have to be."""

from __future__ import annotations

from livewatch.dashboard.drawing.fitting import Wording, fit
from livewatch.dashboard.drawing.sheet import Sheet
from livewatch.dashboard.look import Look
from livewatch.dashboard.widgets.drawn import Drawn
from livewatch.dashboard.widgets.heading import write_lines

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
        texts: list[Wording] = [(line.action, reason, line.more) for reason in (line.reason, *line.shorter)]
        said = fit(tuple(texts), sheet.width, max(1, sheet.height - 1 - y))
        write_lines(sheet, 0, y, said.lines, ink if urgent else "loud" if line.word else "ink")
        full = f"The views need 80 x 24 cells; here are {sheet.width} x {sheet.height}."
        short = f"needs 80 x 24, has {sheet.width} x {sheet.height}"
        size = fit((full, short), sheet.width, 1)
        write_lines(sheet, 0, sheet.height - 1, size.lines, "quiet")
