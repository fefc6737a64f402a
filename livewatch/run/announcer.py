"""Events to whoever listens, once they are on the disk, and never much later than that.

Events of a live run come in with the moment they were found at; a thread of its own hands them to the recorder, waits
for the disk, and tells the listeners, in order. A disk is waited for DISK_BOUND seconds, counted from when the events
were found: then they are told all the same, as *not yet on the disk*, and it is told when they are. So the run's own
thread waits for nothing, and a backlog is never older than the bound.
"""

from __future__ import annotations

import queue
import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from functools import partial
from typing import Final

from livewatch.data.events import Event
from livewatch.run.run import Listener
from livewatch.session.recorder import Recorder

__all__ = ["DISK_BOUND", "Announcer", "DiskListener"]

DISK_BOUND: Final = 0.075
"""Seconds at most, from finding an event, that telling it waits for the disk: with what it takes from the bus to
here, an alarm is told within 150 ms."""
LOOK_EVERY: Final = 0.05
"""Seconds between looks whether what was told too early is on the disk by now."""

DiskListener = Callable[[Sequence[Event], bool], None]
"""Told of events that matter: False just before they are announced without being on the disk, True once they are."""


class Announcer:
    """Args:
    recorder: where events go first; None for nowhere.
    listeners: who is told then; may grow.
    """

    def __init__(self, recorder: Recorder | None, listeners: Sequence[Listener]) -> None:
        self.disk_listeners: list[DiskListener] = []
        self.failure: Exception | None = None
        """What a listener raised last; the others were told all the same."""
        self._recorder = recorder
        self._listeners = listeners
        self._queue: queue.SimpleQueue[tuple[float, Sequence[Event]] | None] = queue.SimpleQueue()
        self._early: deque[tuple[int, Sequence[Event]]] = deque()
        self._thread = threading.Thread(target=self._work, name="livewatch announcer", daemon=True)

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def put(self, events: Sequence[Event]) -> None:
        """Have events recorded and announced; does not wait."""
        if events:
            self._queue.put((time.monotonic(), events))

    def close(self) -> None:
        """Announce what is left, which takes DISK_BOUND seconds at most, and end."""
        self._queue.put(None)
        self._thread.join()

    def settle(self) -> None:
        """After the recorder was closed: tell what came to be on the disk in the end."""
        self._look_again()

    def _work(self) -> None:
        while True:
            try:
                item = self._queue.get(timeout=LOOK_EVERY if self._early else None)
            except queue.Empty:
                self._look_again()
                continue
            if item is None:
                return
            found, events = item
            self._record(events, found + DISK_BOUND - time.monotonic())
            for listener in tuple(self._listeners):
                self._tell(partial(listener, events))
            self._look_again()

    def _record(self, events: Sequence[Event], patience: float) -> None:
        recorder = self._recorder
        if recorder is None or recorder.write_events(events, max(0.0, patience)):
            return
        matter = [event for event in events if recorder.matters(event)]
        if matter:
            self._early.append((recorder.events_taken, matter))
            self._tell_disk(matter, False)

    def _look_again(self) -> None:
        while self._early and self._recorder is not None and self._recorder.kept(self._early[0][0]):
            self._tell_disk(self._early.popleft()[1], True)

    def _tell_disk(self, events: Sequence[Event], there: bool) -> None:
        for listener in tuple(self.disk_listeners):
            self._tell(partial(listener, events, there))

    def _tell(self, call: Callable[[], None]) -> None:
        try:
            call()
        except Exception as error:
            self.failure = error
