"""Events to the event log, in order, by a thread of its own.

Events come in and are put into words at once; the thread writes their lines to `events.jsonl`, and has them on the disk
itself when an alarm is among them. Whoever handed them in may wait for that, as long as it likes. A disk that does not
take them makes them wait in memory, in order, until it does; what would be too much for the memory is left out and
counted, alarms last of all.
"""

from __future__ import annotations

import threading
import time
from collections import Counter, deque
from collections.abc import Sequence
from functools import partial

from livewatch.data.event_json import line_of
from livewatch.data.events import AlarmChanged, Event, RunEnded, utc_text
from livewatch.session.folder import EVENTS, Session
from livewatch.session.line_file import LineFile

__all__ = ["EventWriter"]

MOST_WAITING = 64 << 20
"""Bytes of lines that wait in memory before events other than alarms are left out; at twice as many, alarms are."""
SYNC_EVERY = 1.0
"""Seconds between fsyncs that no alarm asked for."""
RETRY_EVERY = 0.5
"""Seconds between attempts while the log cannot be written."""
AT_ONCE = (AlarmChanged, RunEnded)
"""Kinds that must be on the disk itself before anybody is told, unless the disk takes too long."""


class EventWriter:
    """`trouble` is why the last attempt failed, empty when it did not. Safe to call from several threads.

    Raises:
        OSError: the log cannot be opened.
    """

    def __init__(self, folder: Session) -> None:
        self.trouble = ""
        self.counts: Counter[str] = Counter()
        self._folder = folder
        self._file = self._opened()
        self._writing = threading.Lock()
        """Held while the file is touched."""
        # Everything below is guarded by it. Events are numbered from 1 in order: taken, written, durable, wanted.
        self._state = threading.Condition()
        self._waiting: deque[bytes] = deque()
        self._bytes = 0
        self._taken = self._written = self._durable = self._wanted = 0
        self._attempts = 0
        self._busy_since: float | None = None
        self._closing = False
        self._thread = threading.Thread(target=self._work, name="livewatch event log", daemon=True)
        self._thread.start()

    @property
    def taken(self) -> int:
        """Number of the last event taken, counted from 1."""
        return self._taken

    @property
    def waiting(self) -> int:
        """Events that are in memory only."""
        return self._taken - self._written

    @property
    def silent_for(self) -> float:
        """Seconds that the disk has not answered for."""
        since = self._busy_since
        return 0.0 if since is None else time.monotonic() - since

    def add(self, events: Sequence[Event]) -> int:
        """Take events; returns the number of the last one, to wait for."""
        written = utc_text(time.time_ns())
        with self._state:
            for event in events:
                line = (line_of(event, self._taken, written) + "\n").encode()
                urgent = isinstance(event, AT_ONCE)
                if self._bytes + len(line) > MOST_WAITING * (2 if urgent else 1):
                    self.counts["events not recorded"] += 1
                    continue
                self._taken += 1
                self._waiting.append(line)
                self._bytes += len(line)
                if urgent:
                    self._wanted = self._taken
            return self._taken

    def wait(self, number: int, durable: bool, patience: float | None = None) -> bool:
        """Until event `number` is with the operating system, or on the disk itself; until an attempt has failed; at the
        most for `patience` seconds. Returns whether it is there."""

        def there() -> bool:
            return (self._durable if durable else self._written) >= number

        if patience is None:
            # Whoever waits however long it takes may as well do it.
            self._flush(sync=durable)
            return there()
        with self._state:
            attempts = self._attempts
            self._state.notify_all()
            self._state.wait_for(lambda: there() or (self._attempts > attempts and bool(self.trouble)), patience)
            return there()

    def close(self, patience: float) -> bool:
        """A last attempt, waited for so many seconds; what still waits then is counted. Returns whether the thread has
        ended."""
        with self._state:
            self._closing = True
            self._state.notify_all()
        self._thread.join(patience)
        with self._state:
            if self.waiting:
                self.counts["events not recorded"] += self.waiting
            return not self._thread.is_alive()

    def _work(self) -> None:
        next_sync = time.monotonic() + SYNC_EVERY
        closing = False
        while not closing:
            with self._state:
                pause = RETRY_EVERY if self.trouble else max(0.0, next_sync - time.monotonic())
                seen = self._taken if self.trouble else self._written
                self._state.wait_for(partial(self._is_called, seen), pause)
                closing = self._closing
            due = closing or time.monotonic() >= next_sync
            if due:
                next_sync = time.monotonic() + SYNC_EVERY
            self._flush(sync=due or self._wanted > self._durable)
        self._file.close()

    def _is_called(self, seen: int) -> bool:
        return self._taken > seen or self._closing

    def _flush(self, sync: bool) -> None:
        """Try to write what waits, and to have it on the disk itself when `sync` says so."""
        with self._writing:
            with self._state:
                lines, last = list(self._waiting), self._taken
                self._busy_since = time.monotonic()
            try:
                self._attempt(lines, last, sync)
            except OSError as error:
                if not self.trouble:
                    self.counts["times events could not be written"] += 1
                self.trouble = error.strerror or str(error)
            else:
                self.trouble = ""
            with self._state:
                self._attempts += 1
                self._busy_since = None
                self._state.notify_all()

    def _attempt(self, lines: Sequence[bytes], last: int, sync: bool) -> None:
        if self._file.deleted:
            self._file.close()
            self._folder.restore()
            self._file = self._opened()
            self.counts["times the session folder was removed"] += 1
        if lines:
            self._file.write(b"".join(lines))
            with self._state:
                for line in lines:
                    self._waiting.popleft()
                    self._bytes -= len(line)
                self._written = last
                self._state.notify_all()
        if sync:
            self._file.sync()
            self._durable = last

    def _opened(self) -> LineFile:
        file = LineFile(self._folder.path / EVENTS)
        file.hold()
        return file
