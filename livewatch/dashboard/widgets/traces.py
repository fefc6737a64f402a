"""Live traces: channels over time, or the pulls laid over each other, each with what is wanted and its limits.

A channel is a solid line, what the engine computer wants of it a dotted one, a limit a sparse level. Of the pulls laid
over each other the latest is bright, the first dashed, those between faint.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from livewatch.dashboard.content.axis_ranges import AxisRanges, nice_step
from livewatch.dashboard.content.snapshot import PullRow, Snapshot
from livewatch.dashboard.content.view_state import ViewState
from livewatch.dashboard.drawing.canvas import Canvas, Ink
from livewatch.dashboard.drawing.fitting import fit
from livewatch.dashboard.drawing.plot import SOLID, Plot, extremes
from livewatch.dashboard.widgets.canvas_widget import CanvasWidget
from livewatch.dashboard.widgets.heading import write_lines
from livewatch.dashboard.widgets.large_figures import alarm_on
from livewatch.profile.model import Profile
from livewatch.wording.events import MARKS
from livewatch.wording.names import channel_label, commanded_for, limits_of, short_label

__all__ = ["Traces"]

AXIS = 7
"""Cells for the numbers of the axis up."""
VALUE = 8
"""Cells of a value with its unit."""
LEAST_ROWS = 4
DOTTED = (1, 3)
DASHED = (4, 3)
SPARSE = (1, 5)
MOST_PULLS = 5
ESSENTIAL = (
    "engine_speed",
    "boost_pressure",
    "manifold_pressure",
    "lambda_1",
    "short_term_fuel_trim_1",
    "mass_air_flow",
    "knock_retard",
    "wastegate_duty",
)


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
        across = self._across(snapshot, view)
        for place, name in enumerate(names):
            self._strip_of(canvas, view, snapshot, name, place * rows, rows, across)
        self._axis(canvas, view, len(names) * rows, across)

    def _across(self, snapshot: Snapshot, view: ViewState) -> tuple[float, float]:
        """What the axis across covers: data time in ns, engine speed in rpm, or ns since the start of the pull."""
        if view.overlay == "over time":
            return float(view.cursor - view.window), float(view.cursor)
        pulls = _chosen(snapshot)
        if view.overlay == "pulls over time":
            return 0.0, float(max(pull.stop - pull.start for pull in pulls))
        speeds = [self._line(view, "engine_speed", pull.start, pull.stop)[1] for pull in pulls]
        known = np.concatenate([speed[np.isfinite(speed)] for speed in speeds] or [np.zeros(0)])
        if not len(known):
            return 0.0, 6000.0
        return math.floor(known.min() / 500) * 500.0, math.ceil(known.max() / 500) * 500.0

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
        lines = self._lines_of(view, snapshot, name)
        wanted_lines = [] if wanted is None else self._lines_of(view, snapshot, wanted)
        low, high = self._ranges.range_of(name, profile, [ys for _, ys, _, _ in lines + wanted_lines])
        self._title(canvas, view, snapshot, name, wanted, y)
        plot = Plot(canvas, AXIS + 1, y + 1, canvas.width - AXIS - 2, rows - 1, across, (low, high))
        for limit in limits_of(name, profile):
            plot.level(limit, "quiet", SPARSE)
        for xs, ys, ink, _ in wanted_lines:
            plot.curve(xs, ys, "quiet" if ink != "faint" else "faint", DOTTED)
        for xs, ys, ink, dash in lines:
            plot.curve(xs, ys, ink, dash)
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

    def _lines_of(
        self, view: ViewState, snapshot: Snapshot, name: str
    ) -> list[tuple[NDArray[np.float64], NDArray[np.float64], str, tuple[int, int]]]:
        """Lines of a channel with ink and dash, the most important last."""
        most = 4 * max(20, self.size.width)
        if view.overlay == "over time":
            xs, ys = self._line(view, name, view.cursor - view.window, view.cursor)
            return [(*extremes(xs.astype(np.int64), ys.astype(np.float32), most), "ink", SOLID)]
        lines = []
        pulls = _chosen(snapshot)
        for pull in pulls:
            times, ys = self._line(view, name, pull.start, pull.stop)
            if view.overlay == "pulls over speed":
                xs = self._line(view, "engine_speed", pull.start, pull.stop)[1]
            else:
                xs = times - pull.start
            latest, first = pull is pulls[-1], pull is snapshot.pulls[0]
            ink = "loud" if latest else "ink" if first else "faint"
            lines.append((xs, ys, ink, SOLID if latest or not first else DASHED))
        return lines

    def _line(
        self, view: ViewState, name: str, start: int, stop: int
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        assert view.history is not None
        times, values = view.history.window([name], max(0, start), stop)
        return times.astype(np.float64), values[0].astype(np.float64)

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


def traced(profile: Profile) -> list[str]:
    """The channels traced: the profile's figures, then those that always matter; wanted values ride with their own."""
    wanted = {commanded_for(name, profile) for name in profile.index}
    names = [name for name in (*profile.figures, *ESSENTIAL) if name in profile.index and name not in wanted]
    return list(dict.fromkeys(names))


def _chosen(snapshot: Snapshot) -> list[PullRow]:
    """The first pull and the latest few, in order."""
    pulls = list(snapshot.pulls)
    return pulls if len(pulls) <= MOST_PULLS else [pulls[0], *pulls[-(MOST_PULLS - 1) :]]


def _worth(word: str, age: float) -> str:
    return f"{word}, {age:.1f} s old" if math.isfinite(age) and age > 0 else word
