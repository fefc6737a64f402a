"""The three views, under one status line and one headline that never leave their place."""

from __future__ import annotations

from typing import TYPE_CHECKING

from textual.app import ComposeResult
from textual.screen import Screen

if TYPE_CHECKING:
    from livewatch.dashboard.content.snapshot import Snapshot
    from livewatch.dashboard.content.view_state import ViewState

__all__ = ["LEAST", "VIEWS", "MainScreen"]

VIEWS = ("seat", "cell", "bench")
LEAST = (80, 24)
"""Columns and rows that the views need; below, only the headline is shown."""


class MainScreen(Screen[None]):
    """Holds the widgets; draws nothing itself.

    Args:
    view: the first view.
    replay: whether time can be moved.
    empty: whether nothing is on it until it is filled: the cautions are to be drawn before anything else is loaded.
    """

    HORIZONTAL_BREAKPOINTS = [(0, "-narrow"), (100, "-medium"), (160, "-wide")]  # noqa: RUF012
    VERTICAL_BREAKPOINTS = [(0, "-low"), (28, "-short"), (32, "-middle"), (50, "-tall")]  # noqa: RUF012

    def __init__(self, view: str, replay: bool, empty: bool = False) -> None:
        super().__init__()
        self.view = view
        self._replay = replay
        self._empty = empty
        self._composed = False
        self.set_class(replay, "-replay")
        self.add_class(f"-{view}")

    def compose(self) -> ComposeResult:
        """The widgets."""
        self._composed = True
        if not self._empty:
            from livewatch.dashboard.screens.views import views  # late, as below

            yield from views(self.view, self._replay)

    async def fill(self) -> None:
        """Put the widgets on it, where that is still to be done."""
        if self._empty:
            self._empty = False
            if self._composed:  # else all comes at once
                await self.recompose()

    def on_resize(self) -> None:
        """Show only what can be read."""
        width, height = self.size
        self.set_class(width < LEAST[0] or height < LEAST[1], "-small")

    def choose(self, view: str) -> None:
        """Change the view."""
        from livewatch.dashboard.screens import views

        self.remove_class(f"-{self.view}")
        self.view = view
        self.add_class(f"-{view}")
        views.choose(self, view, self._replay)

    def show(self, snapshot: Snapshot | None, view: ViewState) -> None:
        """Draw a snapshot in every widget that can be seen."""
        from livewatch.dashboard.screens import views

        views.show(self, snapshot, view)
