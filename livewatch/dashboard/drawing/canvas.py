"""A canvas of character cells to draw on: text, blocks, bars and curves go on, lines of inked text come off.

Drawing needs neither a terminal nor Textual. An ink is the name of a style; what it looks like is decided by the
stylesheet. A canvas made `plain` holds ASCII only, whatever was written on it. What is outside the canvas is left out.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby

from rich.cells import cell_len, get_character_cell_size

from livewatch.dashboard.drawing.fitting import one_line
from livewatch.dashboard.drawing.plain import as_plain
from livewatch.wording.shown import LONGEST, shown

__all__ = ["INKS", "Canvas", "Ink", "Line"]

Ink = str
Line = tuple[tuple[str, Ink], ...]
"""Runs of text, each in one ink."""

INKS: dict[Ink, tuple[str, str, bool]] = {
    "ink": ("ink", "", False),
    "quiet": ("quiet", "", False),
    "faint": ("faint", "", False),
    "loud": ("loud", "", True),
    "mark": ("ground", "loud", False),
    "stale": ("stale", "", False),
    "critical": ("critical", "", True),
    "critical-fill": ("critical-on", "critical-ground", True),
    "high": ("high", "", True),
    "high-fill": ("high-on", "high-ground", True),
    "medium": ("medium", "", False),
    "medium-fill": ("medium-on", "medium-ground", False),
    "low": ("low", "", False),
    "low-fill": ("low-on", "low-ground", False),
}
"""Normal values; labels; rules and tracks; what is looked at; what the line of the position crosses; values too old to
trust; and for each alarm priority its letters and its filled block. Each is made of two colours of the theme, of its
letters and of the ground below them (the widget's own where none is named), and is bold or not. As component classes of
Textual, each a node of its own in each widget, they would take half the time of a start."""


class Canvas:
    """`width` by `height` cells, all blank.

    Args:
        plain: hold ASCII only.
    """

    def __init__(self, width: int, height: int, plain: bool = False) -> None:
        self.width = max(0, width)
        self.height = max(0, height)
        self.plain = plain
        self._text = [[" "] * self.width for _ in range(self.height)]
        self._ink = [["ink"] * self.width for _ in range(self.height)]

    def write(self, x: int, y: int, text: str, ink: Ink = "ink", width: int | None = None) -> int:
        """Write `text` from cell `x` of row `y`. What is longer than `width` cells, or than the canvas, ends
        at a word with the sign that there is more. Returns the cell after it."""
        text = self._placed(text, max(0, self.width - x) if width is None else width)
        if not 0 <= y < self.height:
            return x + cell_len(text)
        row, inks = self._text[y], self._ink[y]
        if text.isascii():
            for character in text:
                if 0 <= x < self.width:
                    row[x], inks[x] = (character if " " <= character <= "~" else " "), ink
                x += 1
            return x
        for character in text:
            size = get_character_cell_size(character)
            if size == 0 or character < " ":
                continue
            if x >= 0 and x + size <= self.width:
                row[x], inks[x] = character, ink
                if size == 2:
                    row[x + 1], inks[x + 1] = "", ink
            x += size
        return x

    def write_right(self, stop: int, y: int, text: str, ink: Ink = "ink", width: int | None = None) -> int:
        """Write `text` so that it ends before cell `stop`. Returns its first cell."""
        text = self._placed(text, stop if width is None else min(width, stop))
        start = stop - cell_len(text)
        self.write(start, y, text, ink)
        return start

    def _placed(self, text: str, width: int) -> str:
        text = shown(text, max(self.width, LONGEST))
        if self.plain:
            text = as_plain(text)
        if (len(text) if text.isascii() else cell_len(text)) > width:
            text = one_line(text, width)
        return as_plain(text) if self.plain else text

    def stamp(self, x: int, y: int, rows: Sequence[str], ink: Ink = "ink") -> None:
        """Put a block of rows on the canvas; its blanks leave what is below."""
        for down, row in enumerate(rows):
            if not 0 <= y + down < self.height:
                continue
            text, inks = self._text[y + down], self._ink[y + down]
            for right, character in enumerate(row):
                if character != " " and 0 <= x + right < self.width:
                    text[x + right], inks[x + right] = character, ink

    def fill(self, x: int, y: int, width: int, height: int, ink: Ink, character: str | None = None) -> None:
        """Ink a block of cells, keeping what is written there unless a `character` is given."""
        left, right = max(0, x), min(self.width, x + width)
        if right <= left:
            return
        for down in range(max(0, y), min(self.height, y + height)):
            self._ink[down][left:right] = [ink] * (right - left)
            if character is not None:
                self._text[down][left:right] = [character] * (right - left)

    def at(self, x: int, y: int) -> str:
        """The character in a cell; a blank outside the canvas."""
        return self._text[y][x] if 0 <= x < self.width and 0 <= y < self.height else " "

    def line(self, y: int) -> Line:
        """One row as runs of text."""
        text, inks = self._text[y], self._ink[y]
        runs = []
        start = 0
        for ink, cells in groupby(inks):
            stop = start + len(list(cells))
            runs.append(("".join(text[start:stop]), ink))
            start = stop
        return tuple(runs)

    def text(self) -> str:
        """All rows without their inks, trailing blanks removed: for tests and for looking at."""
        return "\n".join("".join(row).rstrip() for row in self._text)
