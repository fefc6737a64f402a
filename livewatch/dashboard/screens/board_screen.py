"""The board: every station, worst first, below one line that says what it is and what it is not."""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.screen import Screen

from livewatch.dashboard.content.view_state import ViewState
from livewatch.dashboard.drawing.canvas import Canvas
from livewatch.dashboard.widgets.canvas_widget import CanvasWidget
from livewatch.dashboard.widgets.heading import MARGIN
from livewatch.dashboard.widgets.station_list import StationList
from livewatch.publish.stations import Station

__all__ = ["BOARD_CAUTIONS", "BoardScreen"]

BOARD_CAUTIONS = (
    "The board is seconds late and shows what stations say of themselves; it is no engine protection.",
    "Seconds late; no engine protection.",
)


class _Line(CanvasWidget):
    """One row of text, the fullest wording that fits."""

    def __init__(self, *wordings: str, ink: str = "quiet", id: str | None = None) -> None:
        super().__init__(id=id)
        self.wordings: Sequence[str] = wordings
        self.ink = ink
        self.right = ""

    def draw(self, canvas: Canvas, view: ViewState) -> None:
        end = canvas.write_right(canvas.width - 2, 0, self.right, "quiet") if self.right else canvas.width
        room = end - MARGIN - 2
        fitting = [text for text in self.wordings if len(text) <= room]
        canvas.write(MARGIN, 0, fitting[0] if fitting else self.wordings[-1], self.ink, max(0, room))


class BoardScreen(Screen[None]):
    """Asks the app for what it shows; the app does what keys ask."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("up,k", "app.choose(-1)", "The station above", show=False),
        Binding("down,j", "app.choose(1)", "The station below", show=False),
        Binding("pageup", "app.choose(-20)", "A page up", show=False),
        Binding("pagedown", "app.choose(20)", "A page down", show=False),
        Binding("home", "app.choose(-100000)", "The worst", show=False),
        Binding("end", "app.choose(100000)", "The last", show=False),
        Binding("enter", "app.open_station", "Open the station", show=False),
        Binding("t", "app.next_theme", "Colours", show=False),
        Binding("c", "app.plain", "Characters", show=False),
        Binding("q,ctrl+q,escape", "app.leave", "Quit", show=False),
    ]

    def compose(self) -> ComposeResult:
        """What it is, the trouble there is, the stations, the keys."""
        yield _Line("", id="board-title", ink="ink")
        yield _Line(*BOARD_CAUTIONS, id="board-caution", ink="quiet")
        yield StationList(id="stations")
        yield _Line(
            "up/down choose   enter open its seat   t theme   c characters   q quit",
            "enter open   q quit",
            id="board-keys",
        )

    def show(
        self, stations: Sequence[Station], chosen: str, facts: Sequence[str], trouble: str, view: ViewState
    ) -> None:
        """Draw the stations; `facts` say how many there are, the fullest wording first, and `trouble` what is wrong."""
        if not self.query(StationList):
            return  # It is just coming up.
        title = self.query_one("#board-title", _Line)
        title.wordings, title.ink = ((trouble, trouble), "high") if trouble else (facts, "ink")
        rows = self.query_one(StationList)
        rows.stations, rows.chosen = stations, chosen
        for widget in self.query(CanvasWidget):
            widget.show(None, view)
