"""The base of every widget here: draws a snapshot on a canvas and sends only the rows that changed to the terminal."""

from __future__ import annotations

from rich.segment import Segment
from rich.style import Style
from textual.color import Color
from textual.geometry import Region, Size
from textual.strip import Strip
from textual.widget import Widget

from livewatch.dashboard.content.snapshot import Snapshot
from livewatch.dashboard.content.view_state import ViewState
from livewatch.dashboard.drawing.canvas import INKS, Canvas, Ink, Line
from livewatch.dashboard.drawing.fitting import Steady

__all__ = ["CanvasWidget"]


class CanvasWidget(Widget):
    """Subclasses implement `draw`. `show` gives them the next snapshot; nothing is drawn while they are not visible."""

    ALLOW_SELECT = False

    def __init__(self, *, id: str | None = None, classes: str | None = None) -> None:
        super().__init__(id=id, classes=classes)
        self.snapshot: Snapshot | None = None
        self.view_state: ViewState | None = None
        self.left_out = ""
        """How many of what there was no room for, in words; empty when all is shown."""
        self._steady = Steady()
        self._lines: list[Line] = []
        self._strips: list[Strip] = []
        self._styles: dict[Ink, Style] = {}
        self._drawn_size = Size(0, 0)

    def draw(self, canvas: Canvas, view: ViewState) -> None:
        """Put the widget's content on a blank canvas of its size."""
        raise NotImplementedError

    def show(self, snapshot: Snapshot | None, view: ViewState) -> None:
        """Draw this snapshot, and what differs from the one before it goes to the terminal."""
        self.snapshot, self.view_state = snapshot, view
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
        if self.view_state is None:
            return
        size = self.size
        canvas = Canvas(size.width, size.height, self.view_state.plain)
        self.left_out = ""
        self.draw(canvas, self.view_state)
        lines = [canvas.line(y) for y in range(canvas.height)]
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

    def _style(self, ink: Ink) -> Style:
        style = self._styles.get(ink)
        if style is None:
            letters, ground, bold = INKS[ink]
            colours = self.app.current_theme.variables
            style = self.rich_style + Style.from_color(
                Color.parse(colours[letters]).rich_color, Color.parse(colours[ground]).rich_color if ground else None
            )
            style = self._styles[ink] = style + Style(bold=True) if bold else style
        return style
