"""The three views, under one status line and one headline that never leave their place."""

from __future__ import annotations

from textual.app import ComposeResult
from textual.containers import Horizontal, Vertical
from textual.screen import Screen
from textual.widgets import ContentSwitcher

from livewatch.dashboard.bindings import keys_for
from livewatch.dashboard.content.snapshot import Snapshot
from livewatch.dashboard.content.view_state import ViewState
from livewatch.dashboard.widgets.alarm_list import AlarmList
from livewatch.dashboard.widgets.authority import Authority
from livewatch.dashboard.widgets.bus_health import BusHealth
from livewatch.dashboard.widgets.canvas_widget import CanvasWidget
from livewatch.dashboard.widgets.cursor_values import CursorValues
from livewatch.dashboard.widgets.event_list import EventList
from livewatch.dashboard.widgets.headline_box import HeadlineBox
from livewatch.dashboard.widgets.key_hints import KeyHints
from livewatch.dashboard.widgets.large_figures import LargeFigures
from livewatch.dashboard.widgets.next_drive import NextDrive
from livewatch.dashboard.widgets.operating_map import OperatingMap
from livewatch.dashboard.widgets.pull_list import PullList
from livewatch.dashboard.widgets.selected_event import SelectedEvent
from livewatch.dashboard.widgets.small_screen import SmallScreen
from livewatch.dashboard.widgets.status_line import StatusLine
from livewatch.dashboard.widgets.timeline import Timeline
from livewatch.dashboard.widgets.traces import Traces
from livewatch.dashboard.widgets.transport import Transport
from livewatch.dashboard.widgets.verdict_panel import VerdictPanel

__all__ = ["LEAST", "VIEWS", "MainScreen"]

VIEWS = ("seat", "cell", "bench")
LEAST = (80, 24)
"""Columns and rows that the views need; below, only the headline is shown."""


class MainScreen(Screen[None]):
    """Lays the widgets out; draws nothing itself."""

    HORIZONTAL_BREAKPOINTS = [(0, "-narrow"), (100, "-medium"), (160, "-wide")]  # noqa: RUF012
    VERTICAL_BREAKPOINTS = [(0, "-low"), (28, "-short"), (32, "-middle"), (50, "-tall")]  # noqa: RUF012

    def __init__(self, view: str, replay: bool) -> None:
        super().__init__()
        self.view = view
        self._replay = replay
        self.set_class(replay, "-replay")
        self.add_class(f"-{view}")

    def compose(self) -> ComposeResult:
        """The status line, the headline, the views, the keys; and what is left of them on a screen too small."""
        yield StatusLine()
        yield HeadlineBox()
        with ContentSwitcher(initial=self.view, id="views"):
            with Vertical(id="seat"):
                yield LargeFigures()
                yield Authority()
                yield AlarmList(id="seat-alarms")
                yield NextDrive()
            with Vertical(id="cell"):
                with Horizontal(id="traces"):
                    yield Traces()
                    with Vertical(id="side"):
                        yield PullList()
                        yield VerdictPanel()
                        yield OperatingMap()
                        yield BusHealth()
                yield NextDrive()
            with Vertical(id="bench"):
                yield Timeline()
                yield CursorValues()
                with Horizontal(id="happened"):
                    yield EventList()
                    yield SelectedEvent()
        yield Transport()
        yield KeyHints()
        yield SmallScreen()

    def on_mount(self) -> None:
        """The keys of the first view."""
        self._hint()

    def on_resize(self) -> None:
        """Show only what can be read."""
        width, height = self.size
        self.set_class(width < LEAST[0] or height < LEAST[1], "-small")

    def choose(self, view: str) -> None:
        """Change the view."""
        self.remove_class(f"-{self.view}")
        self.view = view
        self.add_class(f"-{view}")
        self.query_one(ContentSwitcher).current = view
        self._hint()

    def show(self, snapshot: Snapshot | None, view: ViewState) -> None:
        """Draw a snapshot in every widget that can be seen."""
        missing: list[str] = []
        for widget in self.query(CanvasWidget):
            # The keys are the last but one to be drawn: by then it is known what had no room.
            if isinstance(widget, KeyHints):
                widget.missing = ", ".join(missing)
            if widget.size.width or widget.view_state is None:
                widget.show(snapshot, view)
                missing += [widget.left_out] if widget.size.width and widget.left_out else []

    def _hint(self) -> None:
        useful = (key for key in keys_for(self.view, self._replay) if key.rank)
        keys = [key for key in useful if key.action not in ("read", f"view('{self.view}')")]
        # In the seat alarms come first; elsewhere the keys that belong to the view do.
        seat = self.view == "seat"
        self.query_one(KeyHints).keys = sorted(keys, key=lambda key: ((key.where == "everywhere") != seat, key.rank))
