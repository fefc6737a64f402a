"""The base of every widget here: it draws a picture on a sheet and sends only the rows that changed to the terminal."""

from __future__ import annotations

from typing import ClassVar

from rich.segment import Segment
from rich.style import Style
from textual.geometry import Region, Size
from textual.strip import Strip
from textual.widget import Widget

from livewatch.dashboard.drawing.sheet import INKS, Line, Sheet
from livewatch.dashboard.look import Look
from livewatch.dashboard.picture import Picture

__all__ = ["Drawn"]


class Drawn(Widget):
    """Subclasses implement `draw`. `show` gives them the next picture; nothing is drawn while they are not visible."""

    COMPONENT_CLASSES: ClassVar[set[str]] = {f"drawn--{ink}" for ink in INKS}
    ALLOW_SELECT = False

    def __init__(self, *, id: str | None = None, classes: str | None = None) -> None:
        super().__init__(id=id, classes=classes)
        self.picture: Picture | None = None
        self.look: Look | None = None
        self.left_out = ""
        """How many of what there was no room for, in words; empty when all is shown."""
        self._lines: list[Line] = []
        self._strips: list[Strip] = []
        self._styles: dict[str, Style] = {}
        self._drawn_size = Size(0, 0)

    def draw(self, sheet: Sheet, look: Look) -> None:
        """Put the widget's content on a blank sheet of its size."""
        raise NotImplementedError

    def show(self, picture: Picture | None, look: Look) -> None:
        """Draw this picture, and what differs from the one before it goes to the terminal."""
        self.picture, self.look = picture, look
        if self.size.width and self.size.height and self.is_attached:
            self._redraw()

    def render_line(self, y: int) -> Strip:
        """The strip of one row."""
        if self.size != self._drawn_size:
            self._redraw(tell=False)
        return self._strips[y] if y < len(self._strips) else Strip.blank(self.size.width, self.rich_style)

    def notify_style_update(self) -> None:
        """The theme changed: every strip must be made again."""
        super().notify_style_update()
        self._styles.clear()
        self._drawn_size = Size(0, 0)

    def _redraw(self, tell: bool = True) -> None:
        if self.look is None:
            return
        size = self.size
        sheet = Sheet(size.width, size.height, self.look.plain)
        self.left_out = ""
        self.draw(sheet, self.look)
        lines = [sheet.line(y) for y in range(sheet.height)]
        if size != self._drawn_size:
            self._lines, self._drawn_size = lines, size
            self._strips = [self._strip(line) for line in lines]
            if tell:
                self.refresh()
            return
        changed = [y for y, line in enumerate(lines) if line != self._lines[y]]
        for y in changed:
            self._strips[y] = self._strip(lines[y])
        self._lines = lines
        if changed and tell:
            self.refresh(*(Region(0, y, size.width, 1) for y in changed))

    def _strip(self, line: Line) -> Strip:
        return Strip([Segment(text, self._style(ink)) for text, ink in line], self.size.width)

    def _style(self, ink: str) -> Style:
        style = self._styles.get(ink)
        if style is None:
            style = self._styles[ink] = self.get_component_rich_style(f"drawn--{ink}")
        return style
