"""The selected event: what it was, what made it true, and the seconds before it."""

from __future__ import annotations

import math

import numpy as np

from livewatch.dashboard.content.events import (
    event_texts,
    event_titles,
    lead_up_of,
    lead_up_seconds,
    moment,
    selected_event,
    telling_channels,
)
from livewatch.dashboard.content.view_state import ViewState
from livewatch.dashboard.drawing.canvas import Canvas
from livewatch.dashboard.drawing.fitting import fit
from livewatch.dashboard.drawing.plot import Plot
from livewatch.dashboard.widgets.canvas_widget import CanvasWidget
from livewatch.dashboard.widgets.heading import heading, write_lines
from livewatch.data.events import AlarmChanged, SecondsBefore
from livewatch.profile.model import Profile
from livewatch.wording.events import clock_text, standing
from livewatch.wording.names import short_label

__all__ = ["SelectedEvent"]

NAME = 24
MOST = 6


class SelectedEvent(CanvasWidget):
    """A row of text, then a short curve for each channel that matters."""

    def draw(self, canvas: Canvas, view: ViewState) -> None:
        if self.snapshot is None or not view.events:
            heading(canvas, "selected event")
            return
        event = view.events[selected_event(view)]
        at = clock_text(moment(event) / 1e9)
        room = canvas.width - 1
        title = fit(event_titles(event), room - len(at) - 4, 1)
        y = heading(canvas, title.lines[0], at)
        if not isinstance(event, AlarmChanged):
            write_lines(canvas, 0, y, fit(event_texts(event), room, canvas.height - y).lines, "ink")
            return
        what = event.setpoint if event.raised else standing(event)
        texts = (what,) if title.choice == 0 else ((event_titles(event)[0], what), what)
        curves = 1 if canvas.height - y < 5 else 2
        y = write_lines(canvas, 0, y, fit(texts, room, max(1, canvas.height - y - curves)).lines, "ink")
        before = lead_up_of(view, event, self.snapshot.profile)
        if event.raised and before is not None:
            self._curves(canvas, view, event, before, self.snapshot.profile, y)
        elif event.reason:
            write_lines(canvas, 0, y, fit((f"reason: {event.reason}",), room, canvas.height - y).lines, "quiet")

    def _curves(
        self, canvas: Canvas, view: ViewState, event: AlarmChanged, before: SecondsBefore, profile: Profile, y: int
    ) -> None:
        channels = before.channels
        names = telling_channels(event, profile, channels)
        room = canvas.height - y
        if room < 1 or not names:
            return
        rows = max(1, min(3, room // max(1, min(len(names), MOST))))
        count = max(1, room // rows)
        seconds = lead_up_seconds(before)
        for place, name in enumerate(names[:count]):
            line = y + place * rows
            unit = profile.channels[profile.index[name]].unit if name in profile.index else ""
            values = np.array([math.nan if value is None else value for value in channels[name]], np.float64)
            at = (event.values or {}).get(name)
            canvas.write(0, line, short_label(name, profile), "quiet", NAME - 1)
            now = view.units.text(math.nan if at is None else float(at), unit, name)
            if rows > 1:
                canvas.write(0, line + 1, now, "loud", NAME - 1)
                if place == 0 and rows > 2:
                    canvas.write(0, line + 2, f"{seconds:.0f} s before", "faint", NAME - 1)
            width = canvas.width - NAME - (12 if rows == 1 else 1)
            known = values[np.isfinite(values)]
            if len(known) and width > 4:
                low, high = float(known.min()), float(known.max())
                pad = max((high - low) * 0.1, abs(high) * 0.01, 1e-6)
                across = (0.0, float(max(1, len(values) - 1)))
                plot = Plot(canvas, NAME, line, width, rows, across, (low - pad, high + pad))
                plot.curve(np.arange(len(values)), values, "ink")
                plot.finish()
            if rows == 1:
                canvas.write_right(canvas.width - 1, line, now, "loud", 11)
