"""The few numbers of the profile that are read at a glance, large.

A normal value is drawn light, one an alarm stands on heavy with a shape and the alarm's name, one that is too old in
dots with its age. Nothing else moves.
"""

from __future__ import annotations

import math

from livewatch.alarms import AlarmState
from livewatch.dashboard.content.alarms import alarm_on
from livewatch.dashboard.content.related_channels import commanded_for
from livewatch.dashboard.content.snapshot import ChannelReading, Snapshot
from livewatch.dashboard.content.view_state import ViewState
from livewatch.dashboard.drawing.canvas import Canvas
from livewatch.dashboard.drawing.fitting import fit
from livewatch.dashboard.drawing.font import Weight, figure, figure_width
from livewatch.dashboard.widgets.canvas_widget import CanvasWidget
from livewatch.dashboard.widgets.heading import MARGIN
from livewatch.data.channels import in_words
from livewatch.data.samples import Quality
from livewatch.wording.events import MARKS
from livewatch.wording.names import short_label

__all__ = ["LargeFigures"]

SMALLEST, LARGEST = 5, 10
"""Rows of a figure."""
MOST = 6


class LargeFigures(CanvasWidget):
    """Side by side, in one row where they fit or in two."""

    def draw(self, canvas: Canvas, view: ViewState) -> None:
        snapshot = self.snapshot
        if snapshot is None:
            return
        names = list(snapshot.profile.figures[:MOST])
        if not names:
            canvas.write(MARGIN, 1, "The profile names no figures (figures: [engine_speed, ...]).", "quiet")
            return
        rows, across = _arrangement(len(names), canvas.width - MARGIN, canvas.height)
        width = (canvas.width - MARGIN) // across
        height = canvas.height // rows
        tall = max(SMALLEST, min(LARGEST, height - 2, _tallest(width)))
        left = len(names) - rows * across
        if left > 0:
            self.left_out = f"{left} figure{'' if left == 1 else 's'}"
        for place, name in enumerate(names[: rows * across]):
            x = MARGIN + (place % across) * width
            y = (place // across) * height + max(0, (height - tall - 2) // 2)
            self._figure(canvas, view, snapshot, name, x, y, width - 1, tall)

    def _figure(
        self, canvas: Canvas, view: ViewState, snapshot: Snapshot, name: str, x: int, y: int, width: int, tall: int
    ) -> None:
        reading = snapshot.reading(name)
        units = view.units
        alarm = alarm_on(name, snapshot)
        spelt = units.spelt(reading.unit, name)
        label = fit((short_label(name, snapshot.profile),), width - (len(spelt) + 1 if spelt else 0), 1).lines[0]
        canvas.write(x, y, f"{label} {spelt}".rstrip(), "quiet", width)
        text, weight, ink = _shown(reading, alarm, units.figure(reading.value, reading.unit, name))
        if weight == "dotted" and math.isfinite(reading.held):
            text = units.figure(reading.held, reading.unit, name)
        while tall > SMALLEST and figure_width(text, tall) > width:
            tall -= 1
        if figure_width(text, tall) > width:
            canvas.write(x, y + 1 + tall // 2, text, ink, width)
        else:
            canvas.stamp(x, y + 1, figure(text, tall, weight, canvas.plain), ink)
        below = y + 1 + tall
        if not reading.good:
            canvas.write(x, below, _worth(reading, name in snapshot.profile.index), "ink", width)
        elif alarm is not None:
            mark = MARKS[alarm.priority]
            called = fit((f"{mark} {in_words(alarm.name)}", f"{mark} {alarm.priority}"), width, 1).lines[0]
            canvas.write(x, below, called, alarm.priority, width)
        else:
            wanted = commanded_for(name, snapshot.profile)
            if wanted is not None and math.isfinite(snapshot.reading(wanted).value):
                value = snapshot.reading(wanted)
                canvas.write(x, below, f"wanted {units.figure(value.value, value.unit, wanted)}", "quiet", width)


def _shown(reading: ChannelReading, alarm: AlarmState | None, text: str) -> tuple[str, Weight, str]:
    if not reading.good:
        return "--", "dotted", "stale"
    return (text, "light", "ink") if alarm is None else (text, "heavy", alarm.priority)


def _worth(reading: ChannelReading, known: bool) -> str:
    if not known:
        return "not in the profile"
    if reading.quality is Quality.NEVER_SEEN:
        return "never seen"
    if reading.quality is Quality.STALE:
        return f"stale, {reading.age:.1f} s old"
    return reading.quality.word


def _arrangement(count: int, width: int, height: int) -> tuple[int, int]:
    """Rows and columns of figures: one row where each gets 22 cells, else as many as fit."""
    across = max(1, min(count, width // 22))
    rows = max(1, min(-(-count // across), height // (SMALLEST + 2)))
    across = max(1, min(across, -(-count // rows)))
    return rows, across


def _tallest(width: int) -> int:
    """The tallest figure of which four digits and a point fit into `width` cells."""
    tall = LARGEST
    while tall > SMALLEST and figure_width("000.0", tall) > width - 2:
        tall -= 1
    return tall
