"""Fuel need over engine speed and air flow: what the base calibration is wrong by, where it was seen.

Each region holds its deviation in per cent as a number; the ground darkens with what is beyond everyday. Regions with
too little settled data hold a dot. The region the engine is in now is bracketed.
"""

from __future__ import annotations

import math

import numpy as np

from livewatch.dashboard.drawing.sheet import Ink, Sheet
from livewatch.dashboard.look import Look
from livewatch.dashboard.picture import NeedMap, Picture
from livewatch.dashboard.widgets.drawn import Drawn
from livewatch.dashboard.widgets.heading import heading

__all__ = ["OperatingMap"]

CELL = 5
AXIS = 5
EVERYDAY, STRAINED, FAR = 0.05, 0.10, 0.20
"""Deviation of need from 1 (common practice, no source): to 5 % ordinary, to 10 % everyday adaptation, near 20 % to
25 % most engine computers stop."""


class OperatingMap(Drawn):
    """Air flow up, speed across."""

    def draw(self, sheet: Sheet, look: Look) -> None:
        picture = self.picture
        y = heading(sheet, "fuel need, % off", "air flow over speed" if sheet.width >= 42 else "")
        if picture is None or picture.need is None:
            sheet.write(0, y, "no settled data yet", "quiet")
            return
        need = _condensed(picture.need, max(1, (sheet.width - AXIS) // CELL), max(1, sheet.height - y - 1))
        rows, columns = need.need.shape
        width = max(CELL, (sheet.width - AXIS - 1) // columns)
        here = _here(picture, need)
        for row in range(rows):
            line = y + rows - 1 - row
            sheet.write_right(AXIS - 1, line, _flow(look, float(need.flows[row])), "faint")
            for column in range(columns):
                x = AXIS + column * width
                text, ink = _cell(float(need.need[row, column]), bool(need.enough[row, column]), sheet.plain)
                inside = (row, column) == here
                body = f"[{text}]" if inside else f" {text} "
                sheet.write(x, line, body.rjust(width), ink)
        below = y + rows
        for column in range(columns):
            sheet.write_right(AXIS + (column + 1) * width, below, f"{need.speeds[column + 1]:.0f}", "faint")
        spelt = look.units.spelt("g/s")
        sheet.write(0, below, spelt, "faint", AXIS - 1)


def _flow(look: Look, flow: float) -> str:
    number = look.units.number(flow, "g/s")
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


def _here(picture: Picture, need: NeedMap) -> tuple[int, int] | None:
    speed, flow = picture.reading("engine_speed").value, picture.reading("mass_air_flow").value
    if not (math.isfinite(speed) and math.isfinite(flow)):
        return None
    column = int(np.searchsorted(need.speeds, speed, side="right")) - 1
    row = int(np.searchsorted(need.flows, flow, side="right")) - 1
    rows, columns = need.need.shape
    return (row, column) if 0 <= row < rows and 0 <= column < columns else None


def _condensed(need: NeedMap, columns: int, rows: int) -> NeedMap:
    """Neighbouring regions joined until at most so many are left; a joined region shows its largest deviation."""
    have_rows, have_columns = need.need.shape
    across, up = -(-have_columns // columns), -(-have_rows // rows)
    if across == 1 and up == 1:
        return need
    speeds = np.append(need.speeds[:-1:across], need.speeds[-1])
    flows = np.append(need.flows[:-1:up], need.flows[-1])
    joined = np.full((len(flows) - 1, len(speeds) - 1), math.nan)
    enough = np.zeros(joined.shape, np.bool_)
    for row in range(joined.shape[0]):
        for column in range(joined.shape[1]):
            area = np.s_[row * up : (row + 1) * up, column * across : (column + 1) * across]
            values, sure = need.need[area].ravel(), need.enough[area].ravel()
            seen = np.isfinite(values) & (sure if (sure & np.isfinite(values)).any() else True)
            if seen.any():
                joined[row, column] = values[seen][np.argmax(np.abs(values[seen]))]
                enough[row, column] = bool(sure[seen].any())
    return NeedMap(speeds, flows, joined, enough)
