"""The alarms a person must know of, most urgent first: shape, priority, what, since when, answered or not."""

from __future__ import annotations

from collections.abc import Sequence

from textual import events
from textual.message import Message

from livewatch.alarms import AlarmState
from livewatch.dashboard.content.alarms import alarm_facts, rows_of, selected_alarm, standing_text
from livewatch.dashboard.content.snapshot import Snapshot
from livewatch.dashboard.content.view_state import ViewState
from livewatch.dashboard.drawing.canvas import Canvas
from livewatch.dashboard.drawing.fitting import MORE, SIGN, Wording, fit
from livewatch.dashboard.widgets.canvas_widget import CanvasWidget
from livewatch.dashboard.widgets.heading import MARGIN, write_lines
from livewatch.data.channels import in_words
from livewatch.wording.events import MARKS, clock_text

__all__ = ["AlarmList"]

ROOM_FOR_STATES = 110
"""Columns from which how an alarm stands is said in full."""


class AlarmList(CanvasWidget):
    """A row an alarm, a second one where what it says needs it and there is room. The selected one is marked; what a
    key does is done to it. Alarms beyond the room are counted in the last row."""

    class Selected(Message):
        """A row was clicked."""

        def __init__(self, name: str) -> None:
            super().__init__()
            self.name = name

    _places: Sequence[str] = ()
    """Name of the alarm in each row; empty for none."""

    def draw(self, canvas: Canvas, view: ViewState) -> None:
        snapshot = self.snapshot
        self._places = places = [""] * canvas.height
        if snapshot is None or not canvas.height:
            return
        total = len(snapshot.announced) + len(snapshot.hidden)
        room = canvas.height - (1 if total > canvas.height else 0)
        rows = rows_of(snapshot, view.alarm, room)
        states = [standing_text(alarm, snapshot, canvas.width < ROOM_FOR_STATES) for alarm in rows]
        column = max((len(state) for state in states), default=0)
        y = 1 if len(rows) < canvas.height and total == len(rows) else 0
        for place, alarm in enumerate(rows):
            spare = room - y - (len(rows) - place)
            below = self._row(canvas, view, snapshot, alarm, y, (states[place], column), min(2, 1 + spare))
            places[y:below] = [alarm.name] * (below - y)
            y = below
        if total > len(rows):
            canvas.write(MARGIN, canvas.height - 1, f"{total - len(rows)} more: r reads them all", "loud")

    def _row(
        self,
        canvas: Canvas,
        view: ViewState,
        snapshot: Snapshot,
        alarm: AlarmState,
        y: int,
        standing: tuple[str, int],
        most: int,
    ) -> int:
        """Returns the row below."""
        hidden = alarm in snapshot.hidden
        selected = alarm.name == selected_alarm(snapshot, view.alarm)
        ink = "quiet" if hidden else alarm.priority
        canvas.write(1, y, "" if hidden else MARKS[alarm.priority], ink)
        x = MARGIN + 1
        if canvas.width >= 100:
            word = alarm.priority if alarm.acknowledged else alarm.priority.upper()
            canvas.write(x, y, "" if hidden else word, ink if alarm.acknowledged or hidden else f"{ink}-fill")
            x += 10
        since = clock_text((alarm.raised_at if alarm.raised_at is not None else alarm.since) / 1e9).partition(".")[0]
        state, column = standing
        end = canvas.width - 1
        canvas.write(end - column, y, state, "ink" if not alarm.acknowledged else "quiet")
        stop = canvas.write_right(end - column - 2, y, since, "quiet") - 2
        first_out = ", first out" if alarm.first_out else ""
        bare = in_words(alarm.name)
        name = bare + first_out
        fewer, extra = (alarm.reason,) * 2 if hidden else alarm_facts(alarm, snapshot, view.units)
        told: list[Wording] = [f"{name}: {text}".rstrip(": ") for text in (extra, fewer)]
        if hidden and extra:
            told += [f"{bare}: {extra}", f"{bare} {MORE}", f"{bare} {SIGN}"]
        elif most == 1:
            told += [name]
        lines = self._told(alarm, told, (name, extra), canvas.width - 1 - x, stop - x, most)
        canvas.write(x, y, lines[0], "quiet")
        canvas.write(x, y, lines[0][: len(name)], "loud" if not alarm.acknowledged else "ink")
        if selected and len(snapshot.announced) + len(snapshot.hidden) > 1:
            canvas.write(0, y, ">" if canvas.plain else "▸", "loud")
        return write_lines(canvas, x, y + 1, lines[1:], "quiet")

    def _told(
        self, alarm: AlarmState, told: Sequence[Wording], apart: tuple[str, str], width: int, first: int, most: int
    ) -> tuple[str, ...]:
        """In one row, or the name and what it says apart in two."""
        subject = (alarm.name, bool(apart[1]), width, most)
        if most == 1:
            return self._steady.fit(subject, told, width, 1, first).lines
        short = self._steady.first(subject, 2, lambda number: number == 1 or fit((told[0],), width, 1, first).whole)
        return fit((told[0] if short == 0 else apart,), width, most, first).lines

    def on_click(self, event: events.Click) -> None:
        """Select the alarm in the row."""
        if 0 <= event.y < len(self._places) and self._places[event.y]:
            self.post_message(self.Selected(self._places[event.y]))
