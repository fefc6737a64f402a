"""What happened, around the time looked at: one row an event."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from typing import Any

from textual import events as textual_events
from textual.message import Message

from livewatch.dashboard.drawing.fitting import fit
from livewatch.dashboard.drawing.sheet import Ink, Sheet
from livewatch.dashboard.headline import SHORT_STATES
from livewatch.dashboard.look import Look
from livewatch.dashboard.widgets.drawn import Drawn
from livewatch.dashboard.widgets.heading import heading
from livewatch.dashboard.wording import alarm_names
from livewatch.data.events import Event, EventKind
from livewatch.wording.events import MARKS, clock_text, sentence

__all__ = ["EventList", "current", "flooding", "moment"]

TIME = 9
STATES = {state.value: word for state, word in SHORT_STATES.items()}


class EventList(Drawn):
    """The selected event is marked; a click selects, and goes to its time."""

    class Chosen(Message):
        """An event was clicked; `position` is its place in the list of all events."""

        def __init__(self, position: int) -> None:
            super().__init__()
            self.position = position

    def draw(self, sheet: Sheet, look: Look) -> None:
        y = heading(sheet, "events", f"{len(look.events)}")
        if not look.events:
            sheet.write(0, y, "none yet", "quiet")
            return
        chosen = current(look)
        for position in self._rows(look, sheet.height - y):
            self._row(sheet, look.events[position], y, position == chosen)
            y += 1

    def on_click(self, event: textual_events.Click) -> None:
        """Select the event in the row."""
        if self.look is None:
            return
        rows = self._rows(self.look, self.size.height - 1)
        if 0 <= event.y - 1 < len(rows):
            self.post_message(self.Chosen(rows[event.y - 1]))

    def _rows(self, look: Look, rows: int) -> range:
        """The positions shown: the selected event with as much before as after it."""
        total = len(look.events)
        first = min(max(0, current(look) - rows // 2), max(0, total - rows))
        return range(first, min(total, first + max(0, rows)))

    def _row(self, sheet: Sheet, event: Event, y: int, chosen: bool) -> None:
        raised = event.kind is EventKind.ALARM and event.detail.get("transition") == "raised"
        priority = event.detail.get("priority", "")
        ink: Ink = priority if raised and priority in MARKS else "ink" if event.kind is EventKind.ALARM else "quiet"
        if chosen:
            sheet.write(0, y, ">" if sheet.plain else "▸", "loud")
        sheet.write_right(1 + TIME, y, clock_text(moment(event) / 1e9), "loud" if chosen else "quiet")
        sheet.write(3 + TIME, y, MARKS.get(priority, "") if raised else "", ink)
        room = sheet.width - TIME - 7
        sheet.write(6 + TIME, y, fit(_words(event), room, 1).lines[0], ink if raised or not chosen else "loud", room)


def moment(event: Event) -> int:
    """The data time an event belongs to, ns: a note's is where it was pinned."""
    at: Any = event.detail.get("at")
    return round(at * 1e9) if isinstance(at, int | float) else event.time


def current(look: Look) -> int:
    """Position of the selected event: the chosen one, else the last at or before the time looked at."""
    if 0 <= look.event < len(look.events):
        return look.event
    return max(0, before(look.events, look.cursor))


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
