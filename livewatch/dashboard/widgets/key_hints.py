"""The bottom row: the keys that matter here, as far as there is room."""

from __future__ import annotations

from collections.abc import Sequence

from textual import events
from textual.message import Message

from livewatch.dashboard.bindings import Key
from livewatch.dashboard.content.view_state import ViewState
from livewatch.dashboard.drawing.canvas import Canvas
from livewatch.dashboard.widgets.canvas_widget import CanvasWidget
from livewatch.dashboard.widgets.heading import MARGIN

__all__ = ["KeyHints"]


class KeyHints(CanvasWidget):
    """Key and word, the most useful first; the keys to read all and for help always stand at the right."""

    class Pressed(Message):
        """A key was clicked."""

        def __init__(self, action: str) -> None:
            super().__init__()
            self.action = action

    keys: Sequence[Key] = ()
    missing = ""
    """What the widgets had no room for, in words."""
    _places: Sequence[tuple[int, int, str]] = ()

    def draw(self, canvas: Canvas, view: ViewState) -> None:
        last = "? all keys"
        end = canvas.write_right(canvas.width - 2, 0, last, "quiet") - 3
        read = f"r {self.missing} more" if self.missing else "r read all"
        start = canvas.write_right(end, 0, read, "quiet")
        canvas.write(start, 0, "r", "ink")
        x = MARGIN
        self._places = places = [(end, canvas.width, "help"), (start, end, "read")]
        end = start - 2
        for key in self.keys:
            text = f"{key.shown} {key.hint}"
            if x + len(text) > end:
                break
            places.append((x, x + len(text), key.action))
            x = canvas.write(x, 0, key.shown, "ink")
            x = canvas.write(x + 1, 0, key.hint, "quiet") + 3

    def on_click(self, event: events.Click) -> None:
        """Do what the key does."""
        for start, stop, action in self._places:
            if start <= event.x < stop:
                self.post_message(self.Pressed(action))
                return
