"""What the screens look at: a live run or a replay, behind one face.

The screen asks for a snapshot as often as it can draw one. It is made by the run's own thread when that gets round to
it; a screen that does not ask costs the run nothing.
"""

from __future__ import annotations

from bisect import insort
from collections import deque
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from typing import TYPE_CHECKING, Any

from livewatch.dashboard import content
from livewatch.data.actions import Action
from livewatch.data.events import Event, without_lead_up
from livewatch.errors import LivewatchError
from livewatch.profile.model import Profile

if TYPE_CHECKING:
    from livewatch.dashboard.content.snapshot import Snapshot
    from livewatch.dashboard.content.snapshot_maker import SnapshotMaker
    from livewatch.run.history import History
    from livewatch.run.live import LiveRun
    from livewatch.run.player import Player

__all__ = ["WatchedLive", "WatchedReplay", "WatchedRun", "failure_of"]

MOST_EVENTS = 3000
"""Events a live screen remembers; the log keeps all."""
MOST_LEAD_UPS = 200
"""Those of them that keep the seconds before an alarm."""


class WatchedRun:
    """Args:
    make: has the run's thread make a snapshot.
    """

    player: Player | None = None

    def __init__(self, profile: Profile, make: Callable[[], Future[Snapshot]]) -> None:
        self.profile = profile
        self.problem = ""
        """Why no more snapshots come; empty while they do."""
        self._make = make
        self._asked: Future[Snapshot] | None = None
        self._latest: Snapshot | None = None

    def snapshot(self) -> Snapshot | None:
        """The latest there is; the next is asked for. None before the first."""
        if self._asked is not None and self._asked.done():
            error = self._asked.exception()
            if error is None:
                self._latest = self._asked.result()
            else:
                self.problem = str(error) or type(error).__name__
            self._asked = None
        if self._asked is None and not self.problem:
            self._asked = self._make()
        return self._latest

    @property
    def history(self) -> History | None:
        """The past of all channels."""
        raise NotImplementedError

    @property
    def events(self) -> Sequence[Event]:
        """What happened, in order of the time it belongs to."""
        raise NotImplementedError

    @property
    def span(self) -> tuple[int, int]:
        """First and last data time there is, ns."""
        raise NotImplementedError

    @property
    def reading(self) -> float:
        """Share of a recording that has been read through."""
        return 1.0

    def act(self, action: Action) -> Future[list[Event]]:
        """Have a person's action carried out."""
        raise NotImplementedError

    def start(self) -> None:
        """Begin."""
        raise NotImplementedError

    def stop(self) -> None:
        """End, and wait for it."""
        raise NotImplementedError


class WatchedLive(WatchedRun):
    """A run fed by a live source. The run must have been made with a history."""

    def __init__(self, live: LiveRun) -> None:
        from livewatch.dashboard.content.snapshot_maker import SnapshotMaker

        run, maker = live.run, SnapshotMaker(live.statuses, live.run.recorder)
        super().__init__(run.profile, lambda: live.submit(lambda: maker.make(run)))
        self._run, self._live = run, live
        self._events: deque[Event] = deque(maxlen=MOST_EVENTS)
        self._late: deque[Event] = deque()
        self._sorted: tuple[int, list[Event]] = (0, [])
        self._count = 0
        run.listeners.append(self._hear)

    @property
    def history(self) -> History | None:
        """The last minutes."""
        return self._run.history

    @property
    def events(self) -> Sequence[Event]:
        """The latest of them."""
        if self._sorted[0] != self._count:
            self._sorted = (self._count, sorted((*self._events, *self._late), key=content.moment))
        return self._sorted[1]

    @property
    def span(self) -> tuple[int, int]:
        """As far back as the history reaches."""
        return (0, 0) if self._run.history is None else self._run.history.span

    def act(self, action: Action) -> Future[list[Event]]:
        """By the run's thread."""
        return self._live.submit(lambda: self._run.apply(action))

    def start(self) -> None:
        """Open the buses."""
        self._live.start()

    def stop(self) -> None:
        """Close them, and finish the recording."""
        self._live.stop()

    def snapshot(self) -> Snapshot | None:
        """The latest; why the run ended when it did so against its will."""
        failure = self._live.failure
        if failure is not None:
            self.problem = str(failure) or type(failure).__name__
        return super().snapshot()

    def _hear(self, events: Sequence[Event]) -> None:
        self._late.extend(events)
        while len(self._late) > MOST_LEAD_UPS:
            self._events.append(without_lead_up(self._late.popleft()))
        self._count += len(events)


class WatchedReplay(WatchedRun):
    """A recording in the hands of a player."""

    def __init__(self, player: Player) -> None:
        super().__init__(player.profile, lambda: player.submit(self._snapshot))
        self.player: Player = player
        self._maker: SnapshotMaker | None = None
        self._events: list[Event] = []
        self._merged = (0, 0)

    @property
    def history(self) -> History | None:
        """All of it, as far as it has been read through."""
        return self.player.history

    @property
    def events(self) -> Sequence[Event]:
        """Everything in the recording, as far as it has been read through, and the person's notes."""
        scanned, added = self.player.overview.events, self.player.additions
        counts = (len(scanned), len(added))
        if counts != self._merged:
            if counts[1] == self._merged[1]:
                self._events.extend(scanned[self._merged[0] : counts[0]])
                self._events.sort(key=content.moment)
            else:
                for event in [*scanned[self._merged[0] : counts[0]], *added[self._merged[1] : counts[1]]]:
                    insort(self._events, event, key=content.moment)
            self._merged = counts
        return self._events

    @property
    def span(self) -> tuple[int, int]:
        """The whole recording, as far as it is known."""
        return 0, self.player.end

    @property
    def reading(self) -> float:
        """Share read through."""
        return self.player.overview.progress

    def act(self, action: Action) -> Future[list[Event]]:
        """By the player's thread."""
        return self.player.apply(action)

    def start(self) -> None:
        """It begins to read and to play with the first look: that takes no time from the first frame."""

    def snapshot(self) -> Snapshot | None:
        """The latest; the first look begins the replay."""
        self.player.start()
        return super().snapshot()

    def stop(self) -> None:
        """End the replay and its log."""
        self.player.close()

    def _snapshot(self) -> Snapshot:
        """Made by the player's thread, which loads what it takes, too."""
        if self._maker is None:
            from livewatch.dashboard.content.snapshot_maker import SnapshotMaker

            self._maker = SnapshotMaker(None, self.player.recorder)
        return self._maker.make(self.player.run)


def failure_of(future: Future[Any]) -> str:
    """What went wrong with an action that is done, in words; empty when nothing did."""
    error = future.exception()
    if error is None:
        return ""
    return str(error) if isinstance(error, LivewatchError | RuntimeError) else f"{type(error).__name__}: {error}"
