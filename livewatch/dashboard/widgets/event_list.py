"""What happened, around the time looked at: one row an event."""

from __future__ import annotations

from textual import events as textual_events
from textual.message import Message

from livewatch.dashboard.content.events import event_words, moment, selected_event
from livewatch.dashboard.content.view_state import ViewState
from livewatch.dashboard.drawing.canvas import Canvas, Ink
from livewatch.dashboard.drawing.fitting import fit
from livewatch.dashboard.widgets.canvas_widget import CanvasWidget
from livewatch.dashboard.widgets.heading import heading
from livewatch.data.events import AlarmChanged, Event
from livewatch.wording.events import MARKS, clock_text

__all__ = ["EventList"]

TIME = 9


class EventList(CanvasWidget):
    """The selected event is marked; a click selects, and goes to its time."""

    class Chosen(Message):
        """An event was clicked; `position` is its place in the list of all events."""

        def __init__(self, position: int) -> None:
            super().__init__()
            self.position = position

    def draw(self, canvas: Canvas, view: ViewState) -> None:
        y = heading(canvas, "events", f"{len(view.events)}")
        if not view.events:
            canvas.write(0, y, "none yet", "quiet")
            return
        chosen = selected_event(view)
        for position in self._rows(view, canvas.height - y):
            self._row(canvas, view.events[position], y, position == chosen)
            y += 1

    def on_click(self, event: textual_events.Click) -> None:
        """Select the event in the row."""
        if self.view_state is None:
            return
        rows = self._rows(self.view_state, self.size.height - 1)
        if 0 <= event.y - 1 < len(rows):
            self.post_message(self.Chosen(rows[event.y - 1]))

    def _rows(self, view: ViewState, rows: int) -> range:
        """The positions shown: the selected event with as much before as after it."""
        total = len(view.events)
        first = min(max(0, selected_event(view) - rows // 2), max(0, total - rows))
        return range(first, min(total, first + max(0, rows)))

    def _row(self, canvas: Canvas, event: Event, y: int, chosen: bool) -> None:
        raised = isinstance(event, AlarmChanged) and event.raised
        ink: Ink = "quiet"
        if isinstance(event, AlarmChanged):
            ink = event.priority if event.raised else "ink"
        if chosen:
            canvas.write(0, y, ">" if canvas.plain else "▸", "loud")
        canvas.write_right(1 + TIME, y, clock_text(moment(event) / 1e9), "loud" if chosen else "quiet")
        canvas.write(3 + TIME, y, MARKS.get(ink, ""), ink)
        room = canvas.width - TIME - 7
        canvas.write(
            6 + TIME, y, fit(event_words(event), room, 1).lines[0], ink if raised or not chosen else "loud", room
        )
