"""The pulls so far: when, how far each went, and how the latest differ from the first."""

from __future__ import annotations

from textual import events
from textual.message import Message

from livewatch.dashboard.content.snapshot import PullRow
from livewatch.dashboard.content.view_state import ViewState
from livewatch.dashboard.drawing.canvas import Canvas
from livewatch.dashboard.drawing.fitting import fit
from livewatch.dashboard.widgets.canvas_widget import CanvasWidget
from livewatch.dashboard.widgets.heading import heading
from livewatch.wording.events import clock_text

__all__ = ["PullList"]

COLUMN = 13
SHORT = {
    "lambda over wanted": "lambda ratio",
    "rail over wanted": "rail share",
    "air flow": "air",
    "charge air": "charge",
    "fuel was cut": "fuel cut",
}
"""The same in COLUMN cells, with a unit behind it."""


class PullList(CanvasWidget):
    """A row a pull, the latest at the bottom; below each peak its change against the first."""

    class Chosen(Message):
        """A pull was clicked: go to its time."""

        def __init__(self, moment: int) -> None:
            super().__init__()
            self.moment = moment

    def draw(self, canvas: Canvas, view: ViewState) -> None:
        pulls = () if self.snapshot is None else self.snapshot.pulls
        if not pulls:
            canvas.write(0, heading(canvas, "pulls"), "none yet", "quiet")
            return
        first = pulls[0]
        columns = max(1, (canvas.width - 10) // COLUMN)
        less = columns < len(first.peaks) or len(pulls) > canvas.height - 2
        y = heading(canvas, "pulls", f"{len(pulls)}, more of each: r" if less else f"{len(pulls)}")
        for place, (label, _, unit, name) in enumerate(first.peaks[:columns]):
            spelt = view.units.spelt(unit, name)
            words = tuple(f"{one} {spelt}".strip() for one in (label, SHORT.get(label, label)))
            text = fit(words, COLUMN - 1, 1).lines[0]
            canvas.write_right(10 + (place + 1) * COLUMN - 1, y, text, "faint", COLUMN - 1)
        for pull in shown(pulls, canvas.height - y - 1):
            y += 1
            self._row(canvas, view, pull, first, y, columns)

    def _row(self, canvas: Canvas, view: ViewState, pull: PullRow, first: PullRow, y: int, columns: int) -> None:
        latest = self.snapshot is not None and pull is self.snapshot.pulls[-1]
        ink = "loud" if latest else "ink"
        canvas.write_right(2, y, f"{pull.number}", ink)
        canvas.write_right(9, y, clock_text(pull.start / 1e9).partition(".")[0], "quiet")
        before = {name: value for _, value, _, name in first.peaks}
        for place, (_, value, unit, name) in enumerate(pull.peaks[:columns]):
            right = 10 + (place + 1) * COLUMN - 1
            figure = view.units.figure(value, unit, name)
            if pull is first or name not in before:
                canvas.write_right(right - 6, y, figure, ink)
                continue
            change = view.units.difference(value - before[name], unit, name)
            text = f"{change:+.{view.units.decimals(unit, name)}f}" if change == change else ""
            canvas.write_right(right - 6, y, figure, ink)
            canvas.write(right - 5, y, text if len(text) <= 6 else "", "quiet")
        x = 10 + columns * COLUMN
        if pull.remark and x + 2 < canvas.width:
            canvas.write(
                x, y, fit((pull.remark, SHORT.get(pull.remark, pull.remark)), canvas.width - x, 1).lines[0], "quiet"
            )

    def on_click(self, event: events.Click) -> None:
        """Go to the pull in the row."""
        if self.snapshot is None:
            return
        rows = shown(self.snapshot.pulls, self.size.height - 2)
        if 0 <= event.y - 2 < len(rows):
            self.post_message(self.Chosen(rows[event.y - 2].stop))


def shown(pulls: tuple[PullRow, ...], rows: int) -> list[PullRow]:
    """The first, which the others are held against, and the latest that there is room for."""
    if len(pulls) <= rows:
        return list(pulls)
    return [pulls[0], *pulls[len(pulls) - max(0, rows - 1) :]] if rows > 0 else []
