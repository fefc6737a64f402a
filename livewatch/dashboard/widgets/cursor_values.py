"""Every channel at the time looked at, in columns: name, value, unit; what was not good then says so."""

from __future__ import annotations

import math

from livewatch.dashboard.content.view_state import ViewState
from livewatch.dashboard.drawing.canvas import Canvas
from livewatch.dashboard.widgets.canvas_widget import CanvasWidget
from livewatch.dashboard.widgets.heading import heading
from livewatch.wording.events import clock_text
from livewatch.wording.names import short_label

__all__ = ["CursorValues"]

COLUMN = 36
NUMBER, UNIT = 8, 6


class CursorValues(CanvasWidget):
    """The profile's figures first, then the rest in the order of the profile."""

    def draw(self, canvas: Canvas, view: ViewState) -> None:
        snapshot, history = self.snapshot, view.history
        if snapshot is None or history is None:
            return
        profile = snapshot.profile
        names = list(dict.fromkeys((*(name for name in profile.figures if name in profile.index), *profile.index)))
        columns, rows = max(1, canvas.width // COLUMN), max(1, canvas.height - 1)
        pages = max(1, -(-len(names) // (columns * rows)))
        page = view.page % pages
        note = f"{len(names)} channels" + (f", page {page + 1} of {pages}: x" if pages > 1 else "")
        y = heading(canvas, f"at {clock_text(view.cursor / 1e9)}", note)
        values = history.at(view.cursor)
        if not values:
            canvas.write(0, y, "not read yet", "quiet")
            return
        width = canvas.width // columns
        first = page * columns * rows
        for place, name in enumerate(names[first : first + columns * rows]):
            x, line = (place // rows) * width, y + place % rows
            unit = profile.channels[profile.index[name]].unit
            value = values.get(name, math.nan)
            spelt = view.units.spelt(unit, name)
            known = math.isfinite(value)
            stop = x + width - UNIT - 2
            canvas.write(x, line, short_label(name, profile), "quiet", width - NUMBER - UNIT - 2)
            canvas.write_right(stop, line, view.units.figure(value, unit, name), "ink" if known else "stale")
            canvas.write(stop + 1, line, spelt if known else "?", "faint", UNIT)
