"""The verdict as it forms: why it is what it is, and the causes in order with their size."""

from __future__ import annotations

import math

from livewatch.dashboard.content.snapshot import LikelyCause
from livewatch.dashboard.content.view_state import ViewState
from livewatch.dashboard.drawing.canvas import Canvas
from livewatch.dashboard.widgets.canvas_widget import CanvasWidget
from livewatch.dashboard.widgets.heading import heading, write_lines
from livewatch.wording.shorter import system_words

__all__ = ["VerdictPanel"]

LEAST = 0.02
"""Probability below which a cause is not worth a line."""
SHARE = 6
"""Cells for the probability of a cause."""
SAID = 10
"""Rows from which the sentence of the verdict stands above the causes, which say the same with figures."""
SYSTEMS = 13
"""Rows from which the word for each system stands there, too."""


class VerdictPanel(CanvasWidget):
    """A cause takes a row for its name and one or more for its size; those that do not fit whole are counted."""

    def draw(self, canvas: Canvas, view: ViewState) -> None:
        if self.snapshot is None:
            return
        verdict = self.snapshot.verdict
        causes = [one for one in verdict.causes if not one.weight < LEAST]
        room, y = canvas.width - 1, 1
        if canvas.height >= SAID and verdict.sentence[0]:
            rows = canvas.height - 1 - 3 * min(2, len(causes))
            said = self._steady.fit("verdict", verdict.sentence, room, max(1, rows))
            y = write_lines(canvas, 0, y, said.lines, "ink")
        elif not causes:
            words = verdict.sentence if verdict.sentence[0] else ("nothing to judge by yet",)
            y = write_lines(canvas, 0, y, self._steady.fit("verdict", words, room, canvas.height - 1).lines, "quiet")
        if canvas.height >= SYSTEMS and verdict.systems:
            words = system_words(verdict.systems)
            y = write_lines(canvas, 0, y, self._steady.fit("systems", words, room, 2).lines, "quiet")
        if canvas.height >= SAID and verdict.codes_short:
            said = self._steady.fit("codes", (f"fault codes {', '.join(verdict.codes_short)}",), room, 2)
            y = write_lines(canvas, 0, y, said.lines, "quiet")
        left = len(causes)
        for cause in causes:
            below = self._cause(canvas, cause, y)
            if below == y:
                break
            y, left = below, left - 1
        note = f"{left} more: r" if left else ""
        heading(canvas, "likely causes", note)

    def _cause(self, canvas: Canvas, cause: LikelyCause, y: int) -> int:
        """Returns the row below; `y` itself when there was no room."""
        share = f"{cause.weight * 100:.0f} %" if math.isfinite(cause.weight) else ""
        x = SHARE if share else 0
        rows = canvas.height - y
        rows_of_title = 1 if canvas.height < SAID else 2
        title = self._steady.fit(cause.title, cause.title, canvas.width - x - 1, rows_of_title)
        size = self._steady.fit(
            (cause.title, "size"), cause.size or ("",), canvas.width - x - 1, rows - len(title.lines)
        )
        if not title.whole or (cause.size and not size.whole):
            return y
        canvas.write_right(SHARE - 1, y, share, "loud")
        y = write_lines(canvas, x, y, title.lines, "ink")
        return write_lines(canvas, x, y, size.lines, "quiet") if cause.size else y
