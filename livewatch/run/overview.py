"""A whole recording, read once as fast as it goes, so that a screen knows what lies ahead.

A source comes in; all events, and twenty values a second of every channel, come out as far as it has been read. It runs
in a thread of its own and touches no other run. The events leave out the seconds before an alarm: the values hold them.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence

from livewatch.data.events import AlarmChanged, Event, without_lead_up
from livewatch.errors import LivewatchError
from livewatch.profile.model import Profile
from livewatch.run.history import History
from livewatch.run.opening import Source

__all__ = ["Overview"]

EVERY = 50_000_000
"""Data time, ns, between the values kept."""
SIZE = 65_536


class Overview:
    """Args:
    open_source: opens the recording from its start.

    `events` grows while it reads; `done` when all is read; `problem` says why it could not go on, empty otherwise.
    """

    def __init__(self, open_source: Callable[[], Source], profile: Profile) -> None:
        self.history = History(profile, EVERY, None)
        self.events: list[Event] = []
        self.done = False
        self.problem = ""
        self._profile = profile
        self._open = open_source
        self._source: Source | None = None
        self._stopping = False
        self._thread = threading.Thread(target=self._read, name="livewatch overview", daemon=True)

    @property
    def progress(self) -> float:
        """Share of the recording read, 0..1."""
        if self.done:
            return 1.0
        return 0.0 if self._source is None else self._source.progress

    def start(self) -> None:
        """Begin. Calling it again, or after `stop`, does nothing."""
        if self._thread.ident is None and not self._stopping:
            self._thread.start()

    def stop(self) -> None:
        """Give up, if it still reads, and wait for the thread."""
        self._stopping = True
        if self._thread.ident is not None:
            self._thread.join()

    def raised(self) -> list[int]:
        """Data times at which alarms were raised, ns, ascending, each once."""
        events = tuple(self.events)
        return sorted({event.time for event in events if isinstance(event, AlarmChanged) and event.raised})

    def _hear(self, events: Sequence[Event]) -> None:
        self.events.extend(without_lead_up(event) for event in events)

    def _read(self) -> None:
        try:
            from livewatch.run.run import Run  # loaded and made here: it takes no time from the first frame

            run = Run(self._profile, history=self.history)
            run.listeners.append(self._hear)
            self._source = self._open()
            for batch in self._source.batches(SIZE):
                if self._stopping:
                    return
                run.push(batch)
            run.count(self._source.counts)
            run.close(self._source.end)
        except LivewatchError as error:
            self.problem = str(error)
        self.done = True
