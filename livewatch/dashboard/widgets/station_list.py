"""Every station in a row: state, car, most urgent alarm, most used authority, verdict, when it was heard; worst first.

Only the rows that can be seen are drawn, however many stations there are. A row's colour, shape and word say the same.
"""

from __future__ import annotations

import math
import time as wall
from collections.abc import Sequence
from typing import NamedTuple

from rich.cells import cell_len
from textual import events
from textual.message import Message

from livewatch.dashboard.content.view_state import ViewState
from livewatch.dashboard.drawing.canvas import Canvas, Ink
from livewatch.dashboard.widgets.canvas_widget import CanvasWidget
from livewatch.dashboard.widgets.heading import MARGIN
from livewatch.data.channels import in_words
from livewatch.publish.stations import Station
from livewatch.wording.events import MARKS
from livewatch.wording.shown import shown

__all__ = ["StationList"]


class _Column(NamedTuple):
    """A heading, and the least and the most cells below it."""

    title: str
    least: int
    most: int


COLUMNS = (
    _Column("station", 10, 24),
    _Column("car", 8, 30),
    _Column("state", 9, 10),
    _Column("most urgent alarm", 17, 60),
    _Column("most used", 9, 36),
    _Column("verdict", 8, 10),
    _Column("heard", 6, 8),
)
LEFT = MARGIN + 1
"""Cells before the first column: the mark of the chosen row, the shape, a blank."""
ANSWERED = ("acknowledged alarm", "latched acknowledged")


class StationList(CanvasWidget):
    """The chosen row is marked. More stations than rows scroll with it; how many are above and below is said."""

    class Opened(Message):
        """A row was clicked."""

        def __init__(self, name: str) -> None:
            super().__init__()
            self.name = name

    def __init__(self, *, id: str | None = None, classes: str | None = None) -> None:
        super().__init__(id=id, classes=classes)
        self.stations: Sequence[Station] = ()
        self.chosen = ""
        self._top = 0
        self._places: list[str] = []

    def draw(self, canvas: Canvas, view: ViewState) -> None:
        widths = _widths(canvas.width - LEFT - 1)
        x = LEFT
        for column, width in zip(COLUMNS, widths, strict=True):
            if width:
                canvas.write(x, 0, column.title, "quiet", width)
                x += width + 1
        rows = max(0, canvas.height - 2)
        names = [station.name for station in self.stations]
        place = names.index(self.chosen) if self.chosen in names else 0
        self._top = max(0, min(self._top, place, len(names) - rows), place - rows + 1)
        shown = self.stations[self._top : self._top + rows]
        now = wall.monotonic()
        self._places = ["", *(station.name for station in shown)]
        for y, station in enumerate(shown, 1):
            self._row(canvas, y, station, widths, now, station.name == self.chosen or (not self.chosen and y == 1))
        below = len(names) - self._top - len(shown)
        if self._top or below:
            canvas.write(MARGIN, canvas.height - 1, f"{self._top} more above, {below} more below", "quiet")

    def on_click(self, event: events.Click) -> None:
        """Open the station of the row."""
        if event.y < len(self._places) and self._places[event.y]:
            self.post_message(self.Opened(self._places[event.y]))

    def _row(self, canvas: Canvas, y: int, station: Station, widths: Sequence[int], now: float, chosen: bool) -> None:
        ink, shape = _look(station, now)
        if chosen:
            canvas.write(0, y, ">", "loud")
        if shape:
            canvas.write(1 if len(shape) > 1 else 2, y, shape, ink)
        x = LEFT
        for number, (width, text) in enumerate(zip(widths, _cells(station, now, widths), strict=True)):
            if width:
                tone = ink if number in (2, 3) else "loud" if chosen and number == 0 else "ink"
                canvas.write(x, y, _cut(text, width), tone if ink != "stale" else "stale", width)
                x += width + 1


def _look(station: Station, now: float) -> tuple[Ink, str]:
    """The ink and the shape of a row."""
    state = station.state(now)
    alarms = station.standing
    if state in ("lost", "silent"):
        return ("stale", MARKS[alarms[0].priority]) if alarms else ("stale", "?")
    if not alarms:
        return "ink", ""
    open_ = alarms[0].state not in ANSWERED
    filled = open_ and alarms[0].priority in ("critical", "high")
    return (f"{alarms[0].priority}-fill" if filled else alarms[0].priority), MARKS[alarms[0].priority]


def _cells(station: Station, now: float, widths: Sequence[int]) -> tuple[str, ...]:
    car = "" if station.status is None else station.status.car
    alarms = station.standing
    alarm = ""
    if alarms:
        more = f" +{len(alarms) - 1}" if len(alarms) > 1 else ""
        said = f"{alarms[0].priority.upper()} {in_words(alarms[0].alarm)}"
        alarm = f"{_cut(said, max(1, widths[3] - len(more)))}{more}"
    used = station.most_used
    most = ""
    if used is not None and used.used is not None:
        share = f"{used.used * 100:.0f} %"
        most = f"{share} {used.label}" if widths[4] >= 20 else share
    return station.name, car, station.state(now), alarm, most, station.word or "-", _ago(now - station.heard)


def _cut(text: str, width: int) -> str:
    """`text` in so many cells: opening the station shows all of it."""
    text = shown(text)
    while cell_len(text) > width:
        text = f"{text[: max(0, min(len(text) - 2, width - 1))]}…"
    return text


def _ago(seconds: float) -> str:
    if not math.isfinite(seconds):
        return "never"
    if seconds < 3.0:
        return "now"
    for unit, size in (("s", 1), ("min", 60), ("h", 3600)):
        if seconds < size * 100 or unit == "h":
            return f"{seconds / size:.0f} {unit}"
    return ""


def _widths(room: int) -> list[int]:
    """Cells of each column: what is over is shared out, the alarm first."""
    widths = [column.least for column in COLUMNS]
    spare = room - sum(widths) - len(widths) + 1
    if spare < 0:
        widths[1] = 0
        spare = room - sum(widths) - len(widths) + 2
    for number in (3, 0, 1, 4, 6, 5):
        if widths[number]:
            more = max(0, min(spare // 2 if number in (3, 1) else spare, COLUMNS[number].most - widths[number]))
            widths[number] += more
            spare -= more
    return widths
