"""What happened, around the time looked at: one row an event."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from typing import Any

from textual import events as textual_events
from textual.message import Message

from livewatch.dashboard.content.headline import SHORT_STATES
from livewatch.dashboard.content.view_state import ViewState
from livewatch.dashboard.drawing.canvas import Canvas, Ink
from livewatch.dashboard.drawing.fitting import fit
from livewatch.dashboard.widgets.canvas_widget import CanvasWidget
from livewatch.dashboard.widgets.heading import heading
from livewatch.data.events import Event, EventKind
from livewatch.wording.events import MARKS, clock_text, sentence
from livewatch.wording.shorter import alarm_names

__all__ = ["EventList", "current", "flooding", "moment"]

TIME = 9
STATES = {state.value: word for state, word in SHORT_STATES.items()}


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
        chosen = current(view)
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
        first = min(max(0, current(view) - rows // 2), max(0, total - rows))
        return range(first, min(total, first + max(0, rows)))

    def _row(self, canvas: Canvas, event: Event, y: int, chosen: bool) -> None:
        raised = event.kind is EventKind.ALARM and event.detail.get("transition") == "raised"
        priority = event.detail.get("priority", "")
        ink: Ink = priority if raised and priority in MARKS else "ink" if event.kind is EventKind.ALARM else "quiet"
        if chosen:
            canvas.write(0, y, ">" if canvas.plain else "▸", "loud")
        canvas.write_right(1 + TIME, y, clock_text(moment(event) / 1e9), "loud" if chosen else "quiet")
        canvas.write(3 + TIME, y, MARKS.get(priority, "") if raised else "", ink)
        room = canvas.width - TIME - 7
        canvas.write(6 + TIME, y, fit(_words(event), room, 1).lines[0], ink if raised or not chosen else "loud", room)


def moment(event: Event) -> int:
    """The data time an event belongs to, ns: a note's is where it was pinned."""
    at: Any = event.detail.get("at")
    return round(at * 1e9) if isinstance(at, int | float) else event.time


def current(view: ViewState) -> int:
    """Position of the selected event: the chosen one, else the last at or before the time looked at."""
    if 0 <= view.event < len(view.events):
        return view.event
    return max(0, before(view.events, view.cursor))


def before(events: Sequence[Event], time: int) -> int:
    """Position of the last event at or before `time`, -1 when there is none. Events are in order of their time."""
    return bisect_right(events, time, key=moment) - 1


def flooding(events: Sequence[Event], time: int) -> bool:
    """Whether at data time `time` more alarms have come than a person can take."""
    for event in reversed(events[: before(events, time) + 1]):
        if event.kind is EventKind.FLOOD:
            return event.detail.get("what") != "ended"
    return False


def _words(event: Event) -> tuple[str, ...]:
    """What happened in one line, the fullest wording first."""
    name = event.subject.replace("_", " ")
    if event.kind is EventKind.ALARM and event.detail.get("transition") == "raised":
        first_out = " (first out)" if event.detail.get("first_out") else ""
        return tuple(f"{words}{first_out}" for words in alarm_names(event.detail.get("message") or "", name))
    record = {**event.detail, "event": event.kind.value, "subject": name}
    record.setdefault("time", event.time / 1e9)
    said = sentence(record)
    state = STATES.get(event.detail.get("state", "")) if event.kind is EventKind.ALARM else None
    return (said,) if state is None else (said, f"{name}: {state}")
