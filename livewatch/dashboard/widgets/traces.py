"""Live traces: channels over time, or the pulls laid over each other, each with what is wanted and its limits.

A channel is a solid line, what the engine computer wants of it a dotted one, a limit a sparse level. Of the pulls laid
over each other the latest is bright, the first dashed, those between faint.
"""

from __future__ import annotations

import math

import numpy as np

from livewatch.dashboard.content.alarms import alarm_on
from livewatch.dashboard.content.axis_ranges import AxisRanges, nice_step
from livewatch.dashboard.content.related_channels import commanded_for, limits_of
from livewatch.dashboard.content.snapshot import Snapshot
from livewatch.dashboard.content.traces import TraceRole, axis_across, trace_lines, traced
from livewatch.dashboard.content.view_state import ViewState
from livewatch.dashboard.drawing.canvas import Canvas, Ink
from livewatch.dashboard.drawing.fitting import fit
from livewatch.dashboard.drawing.plot import SOLID, Dash, Plot
from livewatch.dashboard.widgets.canvas_widget import CanvasWidget
from livewatch.dashboard.widgets.heading import write_lines
from livewatch.wording.events import MARKS
from livewatch.wording.names import channel_label, short_label

__all__ = ["Traces"]

AXIS = 7
"""Cells for the numbers of the axis up."""
VALUE = 8
"""Cells of a value with its unit."""
LEAST_ROWS = 4
DOTTED = (1, 3)
SPARSE = (1, 5)
DRAWN_AS: dict[TraceRole, tuple[Ink, Dash]] = {
    "over time": ("ink", SOLID),
    "latest pull": ("loud", SOLID),
    "first pull": ("ink", (4, 3)),
    "between": ("faint", SOLID),
}


class Traces(CanvasWidget):
    """A strip a channel, one below the other, over one axis."""

    def __init__(self, *, id: str | None = None, classes: str | None = None) -> None:
        super().__init__(id=id, classes=classes)
        self._ranges = AxisRanges()

    def draw(self, canvas: Canvas, view: ViewState) -> None:
        snapshot, history = self.snapshot, view.history
        if snapshot is None or history is None:
            return
        rows = max(LEAST_ROWS, 6 if canvas.height >= 30 else 5)
        names = traced(snapshot.profile)[: max(1, (canvas.height - 1) // rows)]
        if view.overlay == "pulls over speed":
            names = [name for name in names if name != "engine_speed"] or names
        if view.overlay != "over time" and not snapshot.pulls:
            said = fit(("No pull yet. A pull is one full-pedal run through the speed range.",), canvas.width - 1, 3)
            write_lines(canvas, 0, 1, said.lines, "quiet")
            return
        rows = (canvas.height - 1) // max(1, len(names))
        across = axis_across(snapshot, view)
        for place, name in enumerate(names):
            self._strip_of(canvas, view, snapshot, name, place * rows, rows, across)
        self._axis(canvas, view, len(names) * rows, across)

    def _strip_of(
        self,
        canvas: Canvas,
        view: ViewState,
        snapshot: Snapshot,
        name: str,
        y: int,
        rows: int,
        across: tuple[float, float],
    ) -> None:
        profile, units = snapshot.profile, view.units
        unit = profile.channels[profile.index[name]].unit
        wanted = commanded_for(name, profile)
        most = 4 * max(20, self.size.width)
        lines = trace_lines(snapshot, view, name, most)
        wanted_lines = [] if wanted is None else trace_lines(snapshot, view, wanted, most)
        low, high = self._ranges.range_of(name, profile, [line.values for line in lines + wanted_lines])
        self._title(canvas, view, snapshot, name, wanted, y)
        plot = Plot(canvas, AXIS + 1, y + 1, canvas.width - AXIS - 2, rows - 1, across, (low, high))
        for limit in limits_of(name, profile):
            plot.level(limit, "quiet", SPARSE)
        for line in wanted_lines:
            plot.curve(line.places, line.values, "faint" if line.role == "between" else "quiet", DOTTED)
        for line in lines:
            plot.curve(line.places, line.values, *DRAWN_AS[line.role])
        plot.finish()
        self._scale(canvas, view, name, unit, y + 1, rows - 1, low, high)
        alarm = alarm_on(name, snapshot)
        if alarm is not None and units is not None:
            canvas.write(canvas.width - 1, y, MARKS[alarm.priority][:1], alarm.priority)

    def _title(
        self, canvas: Canvas, view: ViewState, snapshot: Snapshot, name: str, wanted: str | None, y: int
    ) -> None:
        reading = snapshot.reading(name)
        alarm = alarm_on(name, snapshot)
        ink: Ink = "ink" if alarm is None else alarm.priority
        value = view.units.text(reading.value, reading.unit, name)
        if not reading.good:
            value, ink = _worth(reading.quality.word, reading.age), "stale"
        want = ""
        if wanted is not None and math.isfinite(asked := snapshot.reading(wanted).value):
            want = f"wanted {view.units.text(asked, snapshot.reading(wanted).unit, wanted)}"
        # Room for the widest value is kept, so that the name does not change while it runs.
        taken = max(len(value), VALUE) + (len(want) + 2 if wanted is not None else 0) + 4
        names = (channel_label(name, snapshot.profile), short_label(name, snapshot.profile))
        x = canvas.write(AXIS + 1, y, fit(names, max(1, canvas.width - AXIS - 1 - taken), 1).lines[0], "quiet")
        x = canvas.write(x + 2, y, value, ink)
        if want and x + 2 + len(want) < canvas.width:
            x = canvas.write(x + 2, y, want, "quiet")
        limits = limits_of(name, snapshot.profile)
        if limits:
            unit = reading.unit
            text = ", ".join(view.units.figure(limit, unit, name) for limit in limits)
            word = "limit" if len(limits) == 1 else "limits"
            if x + 5 + len(word) + len(text) < canvas.width:
                canvas.write(x + 2, y, f"{word} {text}", "faint")

    def _scale(
        self, canvas: Canvas, view: ViewState, name: str, unit: str, y: int, rows: int, low: float, high: float
    ) -> None:
        canvas.write_right(AXIS, y, view.units.figure(high, unit, name), "faint", AXIS)
        canvas.write_right(AXIS, y + rows - 1, view.units.figure(low, unit, name), "faint", AXIS)

    def _axis(self, canvas: Canvas, view: ViewState, y: int, across: tuple[float, float]) -> None:
        left, right = AXIS + 1, canvas.width - 1
        width = right - left
        span = across[1] - across[0]
        if view.overlay == "pulls over speed":
            step = nice_step(span / max(1, width // 10))
            marks = [(value, f"{value:.0f}") for value in np.arange(across[0], across[1] + 1, step)]
            marks[-1:] = [(marks[-1][0], f"{marks[-1][1]} rpm")]
        else:
            seconds = span / 1e9
            step = nice_step(seconds / max(1, width // 12))
            count = int(seconds / step + 1e-9)
            if view.overlay == "over time":
                marks = [(across[1] - place * step * 1e9, f"-{place * step:g} s") for place in range(count, 0, -1)]
                marks.append((across[1], "now"))
            else:
                marks = [(place * step * 1e9, f"{place * step:g} s") for place in range(count + 1)]
        taken = left - 1
        for value, text in marks:
            x = left + round((value - across[0]) / span * (width - 1)) if span > 0 else left
            start = min(max(left, x - len(text) // 2), right - len(text))
            if start > taken:
                taken = canvas.write(start, y, text, "faint") + 1


def _worth(word: str, age: float) -> str:
    return f"{word}, {age:.1f} s old" if math.isfinite(age) and age > 0 else word
