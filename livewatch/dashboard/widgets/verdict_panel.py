"""The verdict as it forms: the word, the causes in order with their size, what is missing."""

from __future__ import annotations

import math

from livewatch.dashboard.drawing.sheet import Sheet
from livewatch.dashboard.look import Look
from livewatch.dashboard.picture import Cause
from livewatch.dashboard.widgets.drawn import Drawn
from livewatch.dashboard.widgets.heading import heading, wrapped

__all__ = ["VerdictPanel"]

BAR = 8
LEAST = 0.02
"""Probability below which a cause is not worth a line."""


class VerdictPanel(Drawn):
    """Words and short bars."""

    def draw(self, sheet: Sheet, look: Look) -> None:
        if self.picture is None:
            return
        verdict = self.picture.verdict
        seen = f"seen {verdict.coverage * 100:.0f} % of the range" if math.isfinite(verdict.coverage) else ""
        y = heading(sheet, "so far", seen)
        x = sheet.write(0, y, verdict.word, "loud") + 2
        rows = 2 if sheet.height >= 7 else 1
        for text in wrapped(verdict.sentence, sheet.width - x - 1, rows):
            sheet.write(x, y, text, "ink", sheet.width - x - 1)
            y += 1
        left = sheet.height - y
        missing = [verdict.next_drive] if verdict.next_drive else []
        room = max(0, left - (2 if missing and left > 2 else 0))
        for place, cause in enumerate(one for one in verdict.causes if not one.weight < LEAST):
            apart = place == 0 and room >= 2 and BAR + len(cause.title) + len(cause.size) + 4 > sheet.width
            if room < (2 if apart else 1):
                break
            y = self._cause(sheet, cause, y, apart)
            room -= 2 if apart else 1
        if missing and y < sheet.height:
            x = sheet.write(0, y, "next ", "quiet")
            for text in wrapped(missing[0], sheet.width - x - 1, sheet.height - y):
                sheet.write(x, y, text, "ink", sheet.width - x - 1)
                y += 1

    def _cause(self, sheet: Sheet, cause: Cause, y: int, apart: bool) -> int:
        x, weight = 0, cause.weight
        if math.isfinite(weight):
            filled = round(min(1.0, max(0.0, weight)) * BAR)
            full, rest = ("#", ".") if sheet.plain else ("■", "·")
            sheet.write(0, y, full * filled, "ink")
            sheet.write(filled, y, rest * (BAR - filled), "faint")
            x = BAR + 1
        end = sheet.write(x, y, cause.title, "ink", sheet.width - x - 1)
        if apart:
            y, end = y + 1, x - 2
        sheet.write(end + 2, y, cause.size, "quiet", max(0, sheet.width - end - 3))
        return y + 1
