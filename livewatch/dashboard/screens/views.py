"""What the main screen is made of: its widgets, how they lie, and what each of them is given to draw.

It brings everything that draws, so the main screen loads it when it is filled.
"""

from __future__ import annotations

from textual.app import ComposeResult
from textual.containers import Horizontal, Vertical
from textual.screen import Screen
from textual.widgets import ContentSwitcher

from livewatch.dashboard.bindings import Key, keys_for
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

__all__ = ["choose", "show", "views"]


def views(view: str, replay: bool) -> ComposeResult:
    """The status line, the headline, the views, the keys; and what is left of them on a screen too small."""
    yield StatusLine()
    yield HeadlineBox()
    with ContentSwitcher(initial=view, id="views"):
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
    hints = KeyHints()
    hints.keys = _useful_keys(view, replay)
    yield hints
    yield SmallScreen()


def choose(screen: Screen[None], view: str, replay: bool) -> None:
    """Another view, and its keys."""
    screen.query_one(ContentSwitcher).current = view
    screen.query_one(KeyHints).keys = _useful_keys(view, replay)


def show(screen: Screen[None], snapshot: Snapshot | None, view: ViewState) -> None:
    """Draw a snapshot in every widget that can be seen."""
    missing: list[str] = []
    for widget in screen.query(CanvasWidget):
        # The keys are the last but one to be drawn: by then it is known what had no room.
        if isinstance(widget, KeyHints):
            widget.missing = ", ".join(missing)
        if widget.size.width or widget.view_state is None:
            widget.show(snapshot, view)
            missing += [widget.left_out] if widget.size.width and widget.left_out else []


def _useful_keys(view: str, replay: bool) -> list[Key]:
    useful = (key for key in keys_for(view, replay) if key.rank)
    keys = [key for key in useful if key.action not in ("read", f"view('{view}')")]
    # In the seat alarms come first; elsewhere the keys that belong to the view do.
    return sorted(keys, key=lambda key: ((key.where == "everywhere") != (view == "seat"), key.rank))
