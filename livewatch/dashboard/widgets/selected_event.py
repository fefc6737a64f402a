"""The selected event: what it was, what made it true, and the seconds before it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

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
from livewatch.data.events import Event, EventKind
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
        detail = event.detail
        if event.kind is not EventKind.ALARM:
            write_lines(canvas, 0, y, fit(event_texts(event), room, canvas.height - y).lines, "ink")
            return
        raised = detail.get("transition") == "raised"
        what = str(detail.get("setpoint", "")) if raised else standing(detail)
        texts = (what,) if title.choice == 0 else ((event_titles(event)[0], what), what)
        curves = 1 if canvas.height - y < 5 else 2
        y = write_lines(canvas, 0, y, fit(texts, room, max(1, canvas.height - y - curves)).lines, "ink")
        before = detail.get("before") or lead_up_of(view, event, self.snapshot.profile)
        if raised and before.get("channels"):
            self._curves(canvas, view, event, before, self.snapshot.profile, y)
        elif detail.get("reason"):
            write_lines(canvas, 0, y, fit((f"reason: {detail['reason']}",), room, canvas.height - y).lines, "quiet")

    def _curves(
        self, canvas: Canvas, view: ViewState, event: Event, before: Mapping[str, Any], profile: Profile, y: int
    ) -> None:
        channels: Mapping[str, list[float | None]] = before["channels"]
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
            at = event.detail.get("values", {}).get(name)
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
