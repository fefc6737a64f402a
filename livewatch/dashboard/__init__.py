"""The terminal screens. Textual is loaded only when one is shown."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from livewatch.publish.board_link import BoardLink
    from livewatch.run.live import LiveRun
    from livewatch.run.player import Player

__all__ = ["show_board", "show_live", "show_replay"]


def show_live(live: LiveRun, lasting: float | None = None) -> int:
    """Show a live run until the person quits, a signal asks for the end, or for `lasting` seconds; it is started before
    and stopped after. Gives the exit code: 0, or 128 and the number of the signal.

    Args:
        live: its run made with a history, so that there is something to show.

    Raises:
        SourceError: a bus cannot be opened; nothing was shown.
    """
    from livewatch.dashboard.content.watched_run import WatchedLive
    from livewatch.dashboard.show_on_terminal import show

    return show(WatchedLive(live), "seat", lasting)


def show_replay(player: Player, view: str = "seat") -> int:
    """Show a replay until the person quits or a signal asks for the end, beginning with a view: seat, cell or bench.
    Gives the exit code, as `show_live` does."""
    from livewatch.dashboard.content.watched_run import WatchedReplay
    from livewatch.dashboard.show_on_terminal import show

    return show(WatchedReplay(player), view)


def show_board(link: BoardLink) -> None:
    """Show the stations of a broker until the person quits; the link is started before and stopped after."""
    from livewatch.dashboard.board import Board

    link.start()
    try:
        app = Board(link)
        app.run()
        if app.fault is not None:
            raise app.fault
    finally:
        link.stop()
