"""The verdict as it forms: why it is what it is, and the causes in order with their size."""

from __future__ import annotations

import math

from livewatch.dashboard.drawing.fitting import Steady
from livewatch.dashboard.drawing.sheet import Sheet
from livewatch.dashboard.look import Look
from livewatch.dashboard.picture import Cause
from livewatch.dashboard.widgets.drawn import Drawn
from livewatch.dashboard.widgets.heading import heading, write_lines
from livewatch.dashboard.wording import cause_words, size_words, verdict_words

__all__ = ["VerdictPanel"]

LEAST = 0.02
"""Probability below which a cause is not worth a line."""
SHARE = 6
"""Cells for the probability of a cause."""
SAID = 10
"""Rows from which the sentence of the verdict stands above the causes, which say the same with figures."""


class VerdictPanel(Drawn):
    """A cause takes a row for its name and one or more for its size; those that do not fit whole are counted."""

    def __init__(self, *, id: str | None = None, classes: str | None = None) -> None:
        super().__init__(id=id, classes=classes)
        self._steady = Steady()

    def draw(self, sheet: Sheet, look: Look) -> None:
        if self.picture is None:
            return
        verdict = self.picture.verdict
        causes = [one for one in verdict.causes if not one.weight < LEAST]
        room, y = sheet.width - 1, 1
        if sheet.height >= SAID and verdict.sentence:
            rows = sheet.height - 1 - 3 * min(2, len(causes))
            said = self._steady.fit("verdict", verdict_words(verdict.sentence), room, max(1, rows))
            y = write_lines(sheet, 0, y, said.lines, "ink")
        elif not causes:
            words = verdict_words(verdict.sentence or "nothing to judge by yet")
            y = write_lines(sheet, 0, y, self._steady.fit("verdict", words, room, sheet.height - 1).lines, "quiet")
        left = len(causes)
        for cause in causes:
            below = self._cause(sheet, cause, y)
            if below == y:
                break
            y, left = below, left - 1
        note = f"{left} more: r" if left else ""
        heading(sheet, "likely causes", note)

    def _cause(self, sheet: Sheet, cause: Cause, y: int) -> int:
        """Returns the row below; `y` itself when there was no room."""
        share = f"{cause.weight * 100:.0f} %" if math.isfinite(cause.weight) else ""
        x = SHARE if share else 0
        rows = sheet.height - y
        rows_of_title = 1 if sheet.height < SAID else 2
        title = self._steady.fit(cause.title, cause_words(cause.title), sheet.width - x - 1, rows_of_title)
        size = self._steady.fit(
            (cause.title, "size"), size_words(cause.size), sheet.width - x - 1, rows - len(title.lines)
        )
        if not title.whole or (cause.size and not size.whole):
            return y
        sheet.write_right(SHARE - 1, y, share, "loud")
        y = write_lines(sheet, x, y, title.lines, "ink")
        return write_lines(sheet, x, y, size.lines, "quiet") if cause.size else y
