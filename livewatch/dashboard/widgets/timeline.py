"""A recording at a glance: engine speed along its length, alarms and pulls below, notes, and where one stands.

The position is a line through all rows. Clicking or dragging goes to a time.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from textual import events as textual_events
from textual.message import Message

from livewatch.alarms.spells import AlarmSpell
from livewatch.dashboard.content.axis_ranges import nice_step
from livewatch.dashboard.content.events import pinned, spells
from livewatch.dashboard.content.snapshot import Snapshot
from livewatch.dashboard.content.traces import extremes
from livewatch.dashboard.content.view_state import ViewState
from livewatch.dashboard.drawing.canvas import Canvas
from livewatch.dashboard.drawing.plot import Plot
from livewatch.dashboard.widgets.canvas_widget import CanvasWidget
from livewatch.data.alarm_states import PRIORITIES, Priority
from livewatch.data.events import NoteWritten, PullEnded
from livewatch.wording.events import MARKS, clock_text

__all__ = ["Timeline"]

LEFT = 10
"""Cells for the names of the rows."""


class Timeline(CanvasWidget):
    """Rows from the top: times, engine speed, a lane for each priority there is room for, pulls, notes."""

    class Seek(Message):
        """The person wants to be at a data time, ns. `settled` is False while the mouse is still dragged."""

        def __init__(self, moment: int, settled: bool) -> None:
            super().__init__()
            self.moment, self.settled = moment, settled

    _dragging = False
    _known: tuple[int, Sequence[AlarmSpell]] = (-1, ())
    """Number of events, and the spells in them."""

    def draw(self, canvas: Canvas, view: ViewState) -> None:
        snapshot = self.snapshot
        if snapshot is None:
            return
        start, stop = view.span
        plot_width = canvas.width - LEFT - 2
        across = (float(start), float(max(stop, start + 1)))
        lanes = self._lanes(canvas.height)
        speed_rows = max(1, canvas.height - 3 - len(lanes))
        self._times(canvas, view, across, plot_width)
        self._speed(canvas, view, snapshot, across, plot_width, speed_rows)
        y = 1 + speed_rows
        if len(view.events) != self._known[0]:
            self._known = (len(view.events), spells(view.events))
        for title, priorities in lanes:
            self._lane(canvas, view, self._known[1], title, priorities, y, across, plot_width)
            y += 1
        self._pulls(canvas, view, y, across, plot_width)
        self._notes(canvas, view, y + 1, across, plot_width)
        self._position(canvas, view, across, plot_width)

    def time_at(self, x: int) -> int:
        """Data time under cell `x` of the widget, ns, kept within the recording."""
        view = self.view_state
        if view is None:
            return 0
        start, stop = view.span
        share = (x - LEFT) / max(1, self.size.width - LEFT - 3)
        return start + round(min(1.0, max(0.0, share)) * (stop - start))

    def on_mouse_down(self, event: textual_events.MouseDown) -> None:
        """Begin to drag."""
        if event.x >= LEFT - 1:
            self._dragging = True
            self.capture_mouse()
            self.post_message(self.Seek(self.time_at(event.x), settled=False))

    def on_mouse_move(self, event: textual_events.MouseMove) -> None:
        """Drag the position along."""
        if self._dragging:
            self.post_message(self.Seek(self.time_at(event.x), settled=False))

    def on_mouse_up(self, event: textual_events.MouseUp) -> None:
        """Let go: be there."""
        if self._dragging:
            self._dragging = False
            self.release_mouse()
            self.post_message(self.Seek(self.time_at(event.x), settled=True))

    def _times(self, canvas: Canvas, view: ViewState, across: tuple[float, float], width: int) -> None:
        seconds = (across[1] - across[0]) / 1e9
        step = _time_step(seconds / max(1, width // 12))
        taken, position = 0, LEFT + _cell(view.cursor, across, width)
        for place in range(int(seconds / step) + 1):
            text = clock_text(place * step)
            text = text if step < 1 else text.partition(".")[0]
            x = LEFT + round(place * step / max(seconds, 1e-9) * (width - 1))
            hidden = x - 1 <= position <= x + len(text)
            if x > taken and x + len(text) <= canvas.width and not hidden:
                taken = canvas.write(x, 0, text, "faint") + 1
        if view.reading < 1.0:
            canvas.write(0, 0, f"read {view.reading * 100:.0f} %", "quiet", LEFT)

    def _speed(
        self, canvas: Canvas, view: ViewState, snapshot: Snapshot, across: tuple[float, float], width: int, rows: int
    ) -> None:
        name = "engine_speed" if "engine_speed" in snapshot.profile.index else next(iter(snapshot.profile.figures), "")
        canvas.write(0, 1, "speed" if name == "engine_speed" else name.replace("_", " "), "quiet", LEFT - 1)
        if view.history is None or not name:
            return
        times, values = view.history.window([name], int(across[0]), int(across[1]))
        xs, ys = extremes(times, values[0], 4 * width)
        top = np.nanmax(ys) if np.isfinite(ys).any() else 1.0
        plot = Plot(canvas, LEFT, 1, width, rows, across, (0.0, math.ceil(top / 1000) * 1000.0 if top > 100 else top))
        plot.area(xs, ys, "faint")
        plot.curve(xs, ys, "quiet")
        plot.finish()

    def _lanes(self, height: int) -> list[tuple[str, tuple[Priority, ...]]]:
        if height >= 11:
            return [(priority, (priority,)) for priority in PRIORITIES]
        if height >= 6:
            return [("critical", ("critical",)), ("others", ("low", "medium", "high"))]
        return [("alarms", ("low", "medium", "high", "critical"))]

    def _lane(
        self,
        canvas: Canvas,
        view: ViewState,
        found: Sequence[AlarmSpell],
        title: str,
        priorities: tuple[Priority, ...],
        y: int,
        across: tuple[float, float],
        width: int,
    ) -> None:
        canvas.write(0, y, title, "quiet", LEFT - 1)
        canvas.write(LEFT, y, ("." if canvas.plain else "·") * width, "faint")
        for priority in priorities:
            for spell in found:
                if spell.priority != priority:
                    continue
                left = _cell(spell.start * 1e9, across, width)
                right = _cell(view.span[1] if spell.end is None else spell.end * 1e9, across, width)
                canvas.write(LEFT + left, y, ("=" if canvas.plain else "━") * (right - left + 1), priority)
                canvas.write(LEFT + left, y, MARKS[priority][:1], priority)

    def _pulls(self, canvas: Canvas, view: ViewState, y: int, across: tuple[float, float], width: int) -> None:
        canvas.write(0, y, "pulls", "quiet", LEFT - 1)
        for event in view.events:
            if not isinstance(event, PullEnded):
                continue
            left = _cell(event.start * 1e9, across, width)
            right = _cell(event.end * 1e9, across, width)
            canvas.write(LEFT + left, y, ("=" if canvas.plain else "▬") * max(1, right - left + 1), "ink")
            canvas.write(LEFT + left, y, str(event.number), "loud")

    def _notes(self, canvas: Canvas, view: ViewState, y: int, across: tuple[float, float], width: int) -> None:
        canvas.write(0, y, "notes", "quiet", LEFT - 1)
        for event in pinned(view.events):
            x = LEFT + _cell(round(event.at * 1e9), across, width)
            canvas.write(x, y, "n" if isinstance(event, NoteWritten) else "+", "loud")
        marks = view.player.marks if view.player is not None else (None, None)
        for mark, sign in zip(marks, "[]", strict=True):
            if mark is not None:
                canvas.write(LEFT + _cell(mark, across, width), y, sign, "loud")
        start, stop = marks
        if start is not None and stop is not None:
            left, right = _cell(start, across, width), _cell(stop, across, width)
            canvas.write(LEFT + left + 1, y, "-" * (right - left - 1), "quiet")

    def _position(self, canvas: Canvas, view: ViewState, across: tuple[float, float], width: int) -> None:
        x = LEFT + _cell(view.cursor, across, width)
        line = "|" if canvas.plain else "│"
        for y in range(1, canvas.height):
            below = canvas.at(x, y)
            keep = below not in " .·━=-▬" and not 0x2800 <= ord(below[:1] or " ") <= 0x28FF
            canvas.write(x, y, below if keep else line, "mark" if keep else "loud")
        canvas.write(x, 0, "v" if canvas.plain else "▾", "loud")


def _cell(time: float, across: tuple[float, float], width: int) -> int:
    share = (time - across[0]) / (across[1] - across[0])
    return int(min(width - 1, max(0, round(share * (width - 1)))))


def _time_step(rough: float) -> float:
    """A step of time that people count in, in seconds."""
    for step in (0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 30, 60, 120, 300, 600, 1200, 1800, 3600):
        if step >= rough:
            return step
    return 3600.0 * nice_step(rough / 3600.0)
