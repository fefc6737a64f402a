"""How far the evidence reaches, and the next best thing to drive or measure."""

from __future__ import annotations

import math

from livewatch.dashboard.drawing.sheet import Sheet
from livewatch.dashboard.look import Look
from livewatch.dashboard.widgets.drawn import Drawn
from livewatch.dashboard.widgets.heading import MARGIN, wrapped

__all__ = ["NextDrive"]


class NextDrive(Drawn):
    """One or two rows: verdict so far, coverage, what next."""

    def draw(self, sheet: Sheet, look: Look) -> None:
        if self.picture is None:
            return
        verdict = self.picture.verdict
        narrow = sheet.width < 100
        x = sheet.write(MARGIN, 0, "so far ", "quiet")
        x = sheet.write(x, 0, verdict.word, "loud" if verdict.word in ("misfit", "strained") else "ink")
        if math.isfinite(verdict.coverage):
            x = sheet.write(x, 0, f"   seen {verdict.coverage * 100:.0f} % of the range", "quiet")
        if narrow and verdict.next_drive:
            # One sentence over both rows: there is no room to set it apart.
            start = sheet.write(x, 0, "   next ", "quiet")
            first, *rest = wrapped(verdict.next_drive, sheet.width - start - 1, 2)
            sheet.write(start, 0, first, "ink")
            for text in rest:
                sheet.write(MARGIN, 1, text, "ink", sheet.width - MARGIN - 1)
            return
        if not verdict.next_drive:
            return
        if sheet.height == 1:
            x = sheet.write(x, 0, "   next ", "quiet")
            sheet.write(x, 0, verdict.next_drive, "ink", sheet.width - x - 1)
            return
        x = sheet.write(MARGIN, 1, "next   ", "quiet")
        for down, text in enumerate(wrapped(verdict.next_drive, sheet.width - x - 1, sheet.height - 1)):
            sheet.write(x, 1 + down, text, "ink", sheet.width - x - 1)
