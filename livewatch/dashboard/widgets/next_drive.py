"""How far the evidence reaches, and the next best thing to drive or measure."""

from __future__ import annotations

import math

from livewatch.dashboard.content.view_state import ViewState
from livewatch.dashboard.drawing.canvas import Canvas
from livewatch.dashboard.drawing.fitting import Fitted, fit
from livewatch.dashboard.widgets.canvas_widget import CanvasWidget
from livewatch.dashboard.widgets.heading import MARGIN, write_lines
from livewatch.wording.shorter import drive_words

__all__ = ["NextDrive"]

WORD = 8
"""Cells of the longest verdict."""


class NextDrive(CanvasWidget):
    """Two rows: verdict so far, coverage, what next: on a row of its own where it fits, else over both."""

    def draw(self, canvas: Canvas, view: ViewState) -> None:
        if self.snapshot is None:
            return
        verdict = self.snapshot.verdict
        x = canvas.write(MARGIN, 0, "so far ", "quiet")
        canvas.write(x, 0, verdict.word, "loud" if verdict.word in ("misfit", "strained") else "ink")
        x += WORD
        words = drive_words(verdict.next_drive)
        room = canvas.width - MARGIN - 1
        seen = ""
        if math.isfinite(verdict.coverage):
            seen = f"{verdict.coverage * 100:3.0f} %"
        # The coverage gives way to the sentence first, then the row of its own does.
        notes = (f"  seen {seen} of the range", f"  seen {seen}", "") if seen else ("",)
        label = "next "
        plans = [(note, apart, text) for text in words for note in notes for apart in (True, False)]

        def fitted(number: int) -> Fitted:
            note, apart, text = plans[number]
            if apart:
                return fit((text,), room - len(label), canvas.height - 1)
            return fit((text,), room, canvas.height, max(0, canvas.width - 1 - x - len(note) - 2 - len(label)))

        number = self._steady.first((verdict.next_drive, canvas.width), len(plans), lambda number: fitted(number).whole)
        note, apart, _ = plans[number]
        lines = fitted(number).lines
        x = canvas.write(x, 0, note, "quiet")
        if not verdict.next_drive:
            return
        if apart:
            x = canvas.write(MARGIN, 1, label, "quiet")
            write_lines(canvas, x, 1, lines, "ink")
            return
        x = canvas.write(x + 2, 0, label, "quiet")
        write_lines(canvas, MARGIN, 0, lines, "ink", x)
