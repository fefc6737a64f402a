"""Events to the event log, at once and in order.

Events come in; their lines are in `events.jsonl` when `add` returns, on the disk itself when an alarm is among them. A
disk that does not take them makes them wait in memory, in order, until it does; alarms wait without limit.
"""

from __future__ import annotations

import threading
import time
from collections import Counter, deque
from collections.abc import Sequence

from livewatch.data.event_json import line_of
from livewatch.data.events import AlarmChanged, Event, RunEnded, utc_text
from livewatch.session.folder import EVENTS, SessionFolder
from livewatch.session.line_file import LineFile

__all__ = ["EventWriter"]

MOST_WAITING = 64 << 20
"""Bytes of lines that wait in memory before events other than alarms are left out."""
AT_ONCE = (AlarmChanged, RunEnded)
"""Kinds that must be on the disk itself before anybody is told."""


class EventWriter:
    """`trouble` is why the last attempt failed, empty when it did not. Safe to call from several threads.

    Raises:
        OSError: the log cannot be opened.
    """

    def __init__(self, folder: SessionFolder) -> None:
        self.trouble = ""
        self.counts: Counter[str] = Counter()
        self._folder = folder
        self._lock = threading.RLock()
        self._waiting: deque[bytes] = deque()
        self._bytes = 0
        self._sequence = 0
        self._urgent = False
        self._file = self._opened()

    @property
    def waiting(self) -> int:
        """Events that are in memory only."""
        return len(self._waiting)

    def add(self, events: Sequence[Event]) -> None:
        """Write events; one fsync for all of them if one of them must be durable."""
        with self._lock:
            written = utc_text(time.time_ns())
            for event in events:
                line = (line_of(event, self._sequence, written) + "\n").encode()
                urgent = isinstance(event, AT_ONCE)
                if self._bytes + len(line) > MOST_WAITING and not urgent:
                    self.counts["events not recorded"] += 1
                    continue
                self._sequence += 1
                self._waiting.append(line)
                self._bytes += len(line)
                self._urgent = self._urgent or urgent
            self.flush(self._urgent)

    def flush(self, sync: bool) -> None:
        """Try to write what waits, and to have it on the disk itself when `sync` says so."""
        with self._lock:
            try:
                if self._file.deleted:
                    self._file.close()
                    self._folder.restore()
                    self._file = self._opened()
                    self.counts["times the session folder was removed"] += 1
                if self._waiting:
                    self._file.write(b"".join(self._waiting))
                    self._waiting.clear()
                    self._bytes = 0
                if sync:
                    self._file.sync()
                    self._urgent = False
            except OSError as error:
                if not self.trouble:
                    self.counts["times events could not be written"] += 1
                self.trouble = error.strerror or str(error)
            else:
                self.trouble = ""

    def close(self) -> None:
        """A last attempt; what still waits then is counted."""
        with self._lock:
            self.flush(sync=True)
            if self._waiting:
                self.counts["events not recorded"] += len(self._waiting)
                self._waiting.clear()
            self._file.close()

    def _opened(self) -> LineFile:
        file = LineFile(self._folder.path / EVENTS)
        file.hold()
        return file
