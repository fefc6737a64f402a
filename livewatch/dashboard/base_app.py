"""What all parts of the app share: the watched run, what the person chose, and how actions reach the run."""

from __future__ import annotations

from concurrent.futures import Future
from typing import TYPE_CHECKING, Any

from livewatch.dashboard.alarm_sound import AlarmSound
from livewatch.dashboard.content.watched_run import failure_of
from livewatch.dashboard.textual_internals import TextualApp
from livewatch.wording.shown import shown

if TYPE_CHECKING:
    from livewatch.dashboard.content.snapshot import Snapshot
    from livewatch.dashboard.content.view_state import ViewState
    from livewatch.dashboard.content.watched_run import WatchedRun
    from livewatch.data.actions import Action

__all__ = ["BaseApp"]


class BaseApp(TextualApp):
    """Attributes:
    snapshot: the latest; None before the first.
    view: seat, cell or bench.
    chosen_alarm: name of the alarm that was selected; empty for the most urgent.
    chosen_event: position of the event that was selected on the bench; -1 for the one at the cursor.
    cursor: where the person looks on the bench, ns; None for where the run is.
    """

    watched: WatchedRun
    sound: AlarmSound
    snapshot: Snapshot | None = None
    view: str = "seat"
    chosen_alarm: str = ""
    chosen_event: int = -1
    cursor: int | None = None

    def __init__(self) -> None:
        super().__init__()
        self._pending: list[tuple[Future[Any], str]] = []

    def notify(self, message: str, **options: Any) -> None:
        """Tell something at the edge of the screen; nothing in it is markup."""
        super().notify(shown(message), **{**options, "markup": False})

    def view_state(self) -> ViewState:
        """How the person looks, now."""
        raise NotImplementedError

    def do(self, future: Future[Any], done: str = "") -> None:
        """Tell the person what became of something that was asked of the run; `done` when it went well."""
        self._pending.append((future, done))

    def act(self, action: Action, done: str = "") -> None:
        """Have the run carry out an action."""
        self.do(self.watched.act(action), done)

    def settle(self) -> None:
        """Tell what became of whatever is done."""
        waiting = []
        for future, done in self._pending:
            if not future.done():
                waiting.append((future, done))
            elif problem := failure_of(future):
                self.notify(problem, severity="warning")
            elif done:
                self.notify(done, timeout=3)
        self._pending = waiting
