"""Fuel need over engine speed and air flow: what the base calibration is wrong by, where it was seen.

Each region holds its deviation in per cent as a number; the ground darkens with what is beyond everyday. Regions with
too little settled data hold a dot. The region the engine is in now is bracketed.
"""

from __future__ import annotations

import math

from livewatch.dashboard.content.need_map import condensed
from livewatch.dashboard.content.view_state import ViewState
from livewatch.dashboard.drawing.canvas import Canvas, Ink
from livewatch.dashboard.widgets.canvas_widget import CanvasWidget
from livewatch.dashboard.widgets.heading import heading

__all__ = ["OperatingMap"]

CELL = 5
AXIS = 5
EVERYDAY, STRAINED, FAR = 0.05, 0.10, 0.20
"""Deviation of need from 1 (common practice, no source): to 5 % ordinary, to 10 % everyday adaptation, near 20 % to
25 % most engine computers stop."""


class OperatingMap(CanvasWidget):
    """Air flow up, speed across."""

    def draw(self, canvas: Canvas, view: ViewState) -> None:
        snapshot = self.snapshot
        y = heading(canvas, "fuel need, % off", "air flow over speed" if canvas.width >= 42 else "")
        if snapshot is None or snapshot.need is None:
            canvas.write(0, y, "no settled data yet", "quiet")
            return
        need = condensed(snapshot.need, max(1, (canvas.width - AXIS) // CELL), max(1, canvas.height - y - 1))
        rows, columns = need.need.shape
        width = max(CELL, (canvas.width - AXIS - 1) // columns)
        here = need.region_of(snapshot.reading("engine_speed").value, snapshot.reading("mass_air_flow").value)
        for row in range(rows):
            line = y + rows - 1 - row
            canvas.write_right(AXIS - 1, line, _flow(view, float(need.flows[row])), "faint")
            for column in range(columns):
                x = AXIS + column * width
                text, ink = _cell(float(need.need[row, column]), bool(need.enough[row, column]), canvas.plain)
                inside = (row, column) == here
                body = f"[{text}]" if inside else f" {text} "
                canvas.write(x, line, body.rjust(width), ink)
        below = y + rows
        for column in range(columns):
            canvas.write_right(AXIS + (column + 1) * width, below, f"{need.speeds[column + 1]:.0f}", "faint")
        spelt = view.units.spelt("g/s")
        canvas.write(0, below, spelt, "faint", AXIS - 1)


def _flow(view: ViewState, flow: float) -> str:
    number = view.units.number(flow, "g/s")
    return f"{number:.0f}" if number >= 10 else f"{number:.1f}"


def _cell(need: float, enough: bool, plain: bool) -> tuple[str, Ink]:
    if not math.isfinite(need):
        return "." if plain else "·", "faint"
    percent = round(need * 100)
    text = f"{percent:+d}" if percent else "0"
    if not enough:
        return text, "faint"
    size = abs(need)
    if size < EVERYDAY:
        return text, "quiet"
    if size < STRAINED:
        return text, "ink"
    return text, "medium-fill" if size < FAR else "high-fill"
