"""What is left on a terminal too small for the views: the headline, and how large it would have to be."""

from __future__ import annotations

from livewatch.dashboard.content.view_state import ViewState
from livewatch.dashboard.drawing.canvas import Canvas
from livewatch.dashboard.drawing.fitting import Wording, fit
from livewatch.dashboard.widgets.canvas_widget import CanvasWidget
from livewatch.dashboard.widgets.heading import write_lines

__all__ = ["SmallScreen"]


class SmallScreen(CanvasWidget):
    """Text only."""

    def draw(self, canvas: Canvas, view: ViewState) -> None:
        line = view.headline
        urgent = line.priority == "critical" and not line.answered
        ink = "critical-fill" if urgent else line.priority or "quiet"
        if urgent:
            canvas.fill(0, 0, canvas.width, canvas.height - 1, ink, " ")
        y = 0
        if line.word:
            canvas.write(0, y, f"{line.shape} {line.word}", ink, canvas.width)
            y += 1
        texts: list[Wording] = [(line.action, reason, line.more) for reason in (line.reason, *line.shorter)]
        said = fit(tuple(texts), canvas.width, max(1, canvas.height - 1 - y))
        write_lines(canvas, 0, y, said.lines, ink if urgent else "loud" if line.word else "ink")
        full = f"The views need 80 x 24 cells; here are {canvas.width} x {canvas.height}."
        short = f"needs 80 x 24, has {canvas.width} x {canvas.height}"
        size = fit((full, short), canvas.width, 1)
        write_lines(canvas, 0, canvas.height - 1, size.lines, "quiet")
