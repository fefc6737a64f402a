"""Every channel at the time looked at, in columns: name, value, unit; what was not good then says so."""

from __future__ import annotations

import math

from livewatch.dashboard.drawing.sheet import Sheet
from livewatch.dashboard.look import Look
from livewatch.dashboard.naming import short_label
from livewatch.dashboard.widgets.drawn import Drawn
from livewatch.dashboard.widgets.heading import heading
from livewatch.wording.events import clock_text

__all__ = ["CursorValues"]

COLUMN = 36
NUMBER, UNIT = 8, 6


class CursorValues(Drawn):
    """The profile's figures first, then the rest in the order of the profile."""

    def draw(self, sheet: Sheet, look: Look) -> None:
        picture, history = self.picture, look.history
        if picture is None or history is None:
            return
        profile = picture.profile
        names = list(dict.fromkeys((*(name for name in profile.figures if name in profile.index), *profile.index)))
        columns, rows = max(1, sheet.width // COLUMN), max(1, sheet.height - 1)
        pages = max(1, -(-len(names) // (columns * rows)))
        page = look.page % pages
        note = f"{len(names)} channels" + (f", page {page + 1} of {pages}: x" if pages > 1 else "")
        y = heading(sheet, f"at {clock_text(look.cursor / 1e9)}", note)
        values = history.at(look.cursor)
        if not values:
            sheet.write(0, y, "not read yet", "quiet")
            return
        width = sheet.width // columns
        first = page * columns * rows
        for place, name in enumerate(names[first : first + columns * rows]):
            x, line = (place // rows) * width, y + place % rows
            unit = profile.channels[profile.index[name]].unit
            value = values.get(name, math.nan)
            spelt = look.units.spelt(unit, name)
            known = math.isfinite(value)
            stop = x + width - UNIT - 2
            sheet.write(x, line, short_label(name, profile), "quiet", width - NUMBER - UNIT - 2)
            sheet.write_right(stop, line, look.units.figure(value, unit, name), "ink" if known else "stale")
            sheet.write(stop + 1, line, spelt if known else "?", "faint", UNIT)
