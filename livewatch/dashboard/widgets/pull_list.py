"""The pulls so far: when, how far each went, and how the latest differ from the first."""

from __future__ import annotations

from textual import events
from textual.message import Message

from livewatch.dashboard.drawing.fitting import fit
from livewatch.dashboard.drawing.sheet import Sheet
from livewatch.dashboard.look import Look
from livewatch.dashboard.picture import Pull
from livewatch.dashboard.widgets.drawn import Drawn
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


class PullList(Drawn):
    """A row a pull, the latest at the bottom; below each peak its change against the first."""

    class Chosen(Message):
        """A pull was clicked: go to its time."""

        def __init__(self, moment: int) -> None:
            super().__init__()
            self.moment = moment

    def draw(self, sheet: Sheet, look: Look) -> None:
        pulls = () if self.picture is None else self.picture.pulls
        if not pulls:
            sheet.write(0, heading(sheet, "pulls"), "none yet", "quiet")
            return
        first = pulls[0]
        columns = max(1, (sheet.width - 10) // COLUMN)
        less = columns < len(first.peaks) or len(pulls) > sheet.height - 2
        y = heading(sheet, "pulls", f"{len(pulls)}, more of each: r" if less else f"{len(pulls)}")
        for place, (label, _, unit, name) in enumerate(first.peaks[:columns]):
            spelt = look.units.spelt(unit, name)
            words = tuple(f"{one} {spelt}".strip() for one in (label, SHORT.get(label, label)))
            text = fit(words, COLUMN - 1, 1).lines[0]
            sheet.write_right(10 + (place + 1) * COLUMN - 1, y, text, "faint", COLUMN - 1)
        for pull in shown(pulls, sheet.height - y - 1):
            y += 1
            self._row(sheet, look, pull, first, y, columns)

    def _row(self, sheet: Sheet, look: Look, pull: Pull, first: Pull, y: int, columns: int) -> None:
        latest = self.picture is not None and pull is self.picture.pulls[-1]
        ink = "loud" if latest else "ink"
        sheet.write_right(2, y, f"{pull.number}", ink)
        sheet.write_right(9, y, clock_text(pull.start / 1e9).partition(".")[0], "quiet")
        before = {name: value for _, value, _, name in first.peaks}
        for place, (_, value, unit, name) in enumerate(pull.peaks[:columns]):
            right = 10 + (place + 1) * COLUMN - 1
            figure = look.units.figure(value, unit, name)
            if pull is first or name not in before:
                sheet.write_right(right - 6, y, figure, ink)
                continue
            change = look.units.difference(value - before[name], unit, name)
            text = f"{change:+.{look.units.decimals(unit, name)}f}" if change == change else ""
            sheet.write_right(right - 6, y, figure, ink)
            sheet.write(right - 5, y, text if len(text) <= 6 else "", "quiet")
        x = 10 + columns * COLUMN
        if pull.remark and x + 2 < sheet.width:
            sheet.write(
                x, y, fit((pull.remark, SHORT.get(pull.remark, pull.remark)), sheet.width - x, 1).lines[0], "quiet"
            )

    def on_click(self, event: events.Click) -> None:
        """Go to the pull in the row."""
        if self.picture is None:
            return
        rows = shown(self.picture.pulls, self.size.height - 2)
        if 0 <= event.y - 2 < len(rows):
            self.post_message(self.Chosen(rows[event.y - 2].stop))


def shown(pulls: tuple[Pull, ...], rows: int) -> list[Pull]:
    """The first, which the others are held against, and the latest that there is room for."""
    if len(pulls) <= rows:
        return list(pulls)
    return [pulls[0], *pulls[len(pulls) - max(0, rows - 1) :]] if rows > 0 else []
