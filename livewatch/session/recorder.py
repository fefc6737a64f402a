"""Writes a run into its session folder while it goes on, and never holds it up.

Rows (frames and samples) and events go in, in order. Promises:

- Rows are handed to a thread that writes them in large pieces; `write_rows` does not wait for the disk. When the disk
  cannot keep up and the queue is full, rows are left out of the recording and counted. (A replay may wait instead.)
- Events are with the operating system when `write_events` returns: nothing that kills this process can take them
  back. When an alarm is among them they are on the disk itself by then, and the rows received before as well, as far
  as a healthy disk manages in half a second; the power may fail. Call it before announcing. Whoever has less patience
  than the disk says so, is told that they are not there yet, and may ask again (`kept`).
- A full disk, or a folder that is removed or becomes read-only, stops neither the run nor what can still be written:
  it is tried again until it works, rows and events wait in memory meanwhile, and `trouble` says what is wrong. Some
  space is kept for events when rows fill the disk.
"""

from __future__ import annotations

import errno
import threading
import time
from collections import Counter, deque
from collections.abc import Sequence
from itertools import islice
from types import TracebackType
from typing import Protocol, Self

from livewatch.data.events import Event
from livewatch.data.frames import FrameBatch
from livewatch.data.samples import SampleBatch
from livewatch.session.event_writer import AT_ONCE, RETRY_EVERY, EventWriter
from livewatch.session.folder import EVENTS, Session
from livewatch.session.row_writer import RowWriter

__all__ = ["Follower", "Recorder"]

WRITE_EVERY = 0.1
"""Seconds between pieces of rows."""
SYNC_EVERY = 1.0
"""Seconds between fsyncs that no alarm asked for."""
PIECE = 65_536
"""Rows written at once at the most."""
ALARM_WAIT = 0.5
"""Seconds at most that an alarm waits for the rows before it to be on the disk."""
DRAIN_WAIT = 15.0
"""Seconds at most that a run about to end waits for the rows that wait for the disk."""
CLOSE_WAIT = 30.0
"""Seconds at most that the end of a run waits for a slow disk to take the last rows."""
TOLD_FOR = 10.0
"""Seconds that `trouble` speaks of rows that a slow disk lost."""
SILENT_AFTER = 0.5
"""Seconds without an answer from the disk after which `trouble` speaks of it."""
LOSSES = ("not recorded", "removed")
"""What the kinds of `counts` say that something is missing from the recording."""


class Follower(Protocol):
    """Whoever wants to know what is recorded. It must not wait, nor raise. `trouble` is what is wrong with it, for the
    screen; empty when nothing is."""

    @property
    def trouble(self) -> str: ...

    def rows(self, batch: FrameBatch | SampleBatch) -> None:
        """These are recorded."""

    def events(self, events: Sequence[Event]) -> None:
        """So are these."""


class Recorder:
    """Args:
    folder: a new session folder.
    queue_rows: rows held in memory for a slow disk before any is left out: 15 s of four full 1 Mbit/s buses.
    part_bytes: size at which the frame log goes on in a new part.
    keep_free: bytes of disk kept for events.
    may_wait: whether `write_rows` may wait for the disk instead of leaving rows out: right for a replay, which has no
        clock to keep up with.

    Raises:
        SessionError: the folder cannot be written to.
    """

    def __init__(
        self,
        folder: Session,
        *,
        queue_rows: int = 450_000,
        part_bytes: int = 64 << 20,
        keep_free: int = 32 << 20,
        may_wait: bool = False,
    ) -> None:
        self.folder = folder
        self.followers: list[Follower] = []
        """Told of every row and event, each once, whatever becomes of it on the disk."""
        self._events = EventWriter(folder)
        names = [channel.name for channel in folder.profile().channels]
        self._rows = RowWriter(folder, names, part_bytes, keep_free)
        self._limit = queue_rows
        self.may_wait = may_wait
        self._counts: Counter[str] = Counter()
        # Everything below is guarded by it. Rows are numbered from 1 in order: taken into the queue, settled (written
        # or given up), durable (on the disk itself), wanted durable by an alarm.
        self._state = threading.Condition()
        self._queue: deque[tuple[float, FrameBatch | SampleBatch]] = deque()
        self._taken = self._settled = self._durable = self._wanted = self._given_up = 0
        self._attempts = 0
        self._busy = self._draining = False
        self._row_trouble = ""
        self._lost_at = float("-inf")
        self._closing = self._closed = self.finished = False
        self._thread = threading.Thread(target=self._work, name="livewatch recorder", daemon=True)
        self._thread.start()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def write_rows(self, batch: FrameBatch | SampleBatch) -> None:
        """Take raw rows; does not wait for the disk."""
        if not len(batch):
            return
        for follower in self.followers:
            follower.rows(batch)
        with self._state:
            if self.may_wait:
                self._state.wait_for(lambda: self._has_room(batch) or bool(self._row_trouble) or self._closing)
            if self._closing or not self._has_room(batch):
                self._counts["rows not recorded"] += len(batch)
                self._lost_at = time.monotonic()
                return
            self._queue.append((time.monotonic(), batch))
            self._taken += len(batch)
            if self._taken - self._settled >= PIECE:
                self._state.notify_all()

    def write_events(self, events: Sequence[Event], patience: float | None = None) -> bool:
        """Take events; returns when those that matter, and the rows before them, are durable, or cannot be made so now,
        at the latest after `patience` seconds. Returns whether they are."""
        if not events:
            return True
        for follower in self.followers:
            follower.events(events)
        urgent = any(isinstance(event, AT_ONCE) for event in events)
        began = time.monotonic()
        if urgent:
            with self._state:
                before = self._wanted = self._taken
                self._state.notify_all()
        number = self._events.add(events)
        there = self._events.wait(number, urgent, patience)
        if urgent:
            left = ALARM_WAIT if patience is None else min(ALARM_WAIT, patience - (time.monotonic() - began))
            with self._state:
                self._state.wait_for(lambda: self._durable >= before or bool(self._row_trouble), max(0.0, left))
                if self._durable < before:
                    self._counts["alarms told before the rows behind them were on the disk"] += 1
        return there

    @staticmethod
    def matters(event: Event) -> bool:
        """Whether an event must be on the disk itself before anybody is told."""
        return isinstance(event, AT_ONCE)

    @property
    def events_taken(self) -> int:
        """Number of the last event taken, counted from 1."""
        return self._events.taken

    def kept(self, number: int) -> bool:
        """Whether event `number` and all before it are on the disk itself."""
        return self._events.wait(number, True, 0.0)

    def drain(self) -> None:
        """The run is about to end: have the rows that wait written now, and give up, and count, those that the disk
        does not take, so that the end of the log can say so."""
        with self._state:
            attempts = self._attempts
            self._draining = True
            self._state.notify_all()
            self._state.wait_for(lambda: not self._queue or self._attempts > attempts + 1, DRAIN_WAIT)
            self._draining = False
            if not self._busy:
                given_up = sum(len(batch) for _, batch in self._queue)
                self._queue.clear()
                self._settled += given_up
                self._given_up += given_up
                if given_up:
                    self._counts["rows not recorded"] += given_up

    def close(self, utc: int | None = None) -> None:
        """End the recording; the run's data ended at `utc` on the source's clock, ns since the Unix epoch, None when
        there was none. Calling it again does nothing. A disk that does not answer is waited for CLOSE_WAIT seconds."""
        with self._state:
            if self._closed:
                return
            self._closed = self._closing = True
            self._state.notify_all()
        end = time.monotonic() + CLOSE_WAIT
        self._thread.join(CLOSE_WAIT)
        with self._state:
            left = self._taken - self._settled
            if left:
                self._counts["rows not recorded"] += left
        if self._events.close(max(1.0, end - time.monotonic())) and not self._thread.is_alive():
            self._rows.close()
        finishing = threading.Thread(target=self._finish, args=(utc,), name="livewatch recorder end", daemon=True)
        finishing.start()
        finishing.join(max(1.0, end - time.monotonic()))

    def _finish(self, utc: int | None) -> None:
        try:
            if not (self.folder.path / EVENTS).exists():
                self.folder.restore()
            self.folder.finish(utc, self.counts)
            self.finished = True
        except OSError as error:
            self._row_trouble = error.strerror or str(error)

    @property
    def losses(self) -> dict[str, int]:
        """What is missing from the recording so far, by plain-worded kind; empty when nothing is."""
        return {kind: number for kind, number in self.counts.items() if any(word in kind for word in LOSSES)}

    @property
    def kept_rows(self) -> int:
        """Rows that were written."""
        return self._settled - self._given_up

    @property
    def kept_events(self) -> int:
        """Events that were written."""
        return self._events.taken - self._events.waiting

    @property
    def trouble(self) -> str | None:
        """What is wrong now, for the screen; None when all is well."""
        if self._events.trouble:
            return f"events cannot be written: {self._events.trouble}; {self._events.waiting} wait in memory"
        if self._events.silent_for > SILENT_AFTER:
            silent = f"the disk has not answered for {self._events.silent_for:.0f} s"
            return f"{silent}: events from now on are told before they are recorded"
        if self._row_trouble:
            return self._row_trouble
        if time.monotonic() - self._lost_at < TOLD_FOR:
            return f"the disk is too slow: {self._counts['rows not recorded']} rows not recorded so far"
        return None

    @property
    def behind(self) -> int:
        """Rows that wait to be written."""
        return self._taken - self._settled

    @property
    def behind_seconds(self) -> float:
        """Seconds that the row waiting longest has waited."""
        with self._state:
            return time.monotonic() - self._queue[0][0] if self._queue else 0.0

    @property
    def free_bytes(self) -> int | None:
        """Space on the disk, at most a second old; None when it cannot be told."""
        return self._rows.free

    @property
    def counts(self) -> dict[str, int]:
        """What was not recorded so far, and what went wrong, by plain-worded kind; only what did happen."""
        with self._state:
            return dict(self._counts + self._events.counts + self._rows.counts)

    def _has_room(self, batch: FrameBatch | SampleBatch) -> bool:
        # A batch larger than the queue is taken when nothing else waits; what tells of a loss always is.
        if isinstance(batch, SampleBatch) and batch.silence:
            return True
        return self._taken - self._settled + len(batch) <= self._limit or self._taken == self._settled

    def _work(self) -> None:
        """The thread: write, now and then sync, until closed and done."""
        next_sync = time.monotonic() + SYNC_EVERY
        while True:
            with self._state:
                pause = RETRY_EVERY if self._row_trouble else WRITE_EVERY
                self._state.wait_for(self._is_urgent, timeout=pause)
                wanted, closing = self._wanted > self._durable, self._closing
                self._busy = True
            self._write()
            with self._state:
                self._attempts += 1
                self._busy = False
                self._state.notify_all()
            now = time.monotonic()
            if wanted or closing or now >= next_sync:
                self._sync()
                next_sync = now + SYNC_EVERY
            if closing and (self._row_trouble or not self._queue):
                return

    def _is_urgent(self) -> bool:
        if self._closing or self._draining:
            return True
        if self._row_trouble:
            return False
        return self._wanted > self._durable or self._taken - self._settled >= PIECE

    def _write(self) -> None:
        """Write what waits, in pieces, until nothing does or the disk refuses."""
        while True:
            with self._state:
                head = [batch for _, batch in islice(self._queue, PIECE)]
            count, piece = _next_piece(head)
            if piece is None:
                return
            try:
                self._rows.write(piece)
            except OSError as error:
                self._told(error)
                return
            except Exception as fault:
                # A fault of our own with these rows must not end the recording of those that follow.
                self._settle(count, len(piece), f"frames cannot be written: {fault!r}")
            else:
                self._settle(count, len(piece), "")

    def _settle(self, batches: int, rows: int, trouble: str) -> None:
        """The first batches of the queue are written, or given up because of `trouble`."""
        with self._state:
            for _ in range(batches):
                self._queue.popleft()
            self._settled += rows
            self._row_trouble = trouble
            if trouble:
                self._given_up += rows
                self._counts["rows not recorded"] += rows
            self._state.notify_all()

    def _sync(self) -> None:
        with self._state:
            written = self._settled
        try:
            self._rows.sync()
            self._rows.measure_free()
        except OSError as error:
            self._told(error)
            return
        with self._state:
            self._durable = written
            if not self._queue:
                self._row_trouble = ""
            self._state.notify_all()

    def _told(self, error: OSError) -> None:
        """Rows cannot be written: say so, once in the counts."""
        with self._state:
            if not self._row_trouble:
                self._counts["times rows could not be written"] += 1
            if error.errno in (errno.ENOSPC, errno.EDQUOT):
                free = "" if self._rows.free is None else f" ({self._rows.free / 1e6:.0f} MB free)"
                self._row_trouble = f"the disk is full{free}: frames are not recorded"
            else:
                self._row_trouble = f"frames cannot be written: {error.strerror or error}"
            self._state.notify_all()


def _next_piece(queue: Sequence[FrameBatch | SampleBatch]) -> tuple[int, FrameBatch | SampleBatch | None]:
    """The first batches of the queue that can be written together: how many, and all of them as one."""
    frames: list[FrameBatch] = []
    rows = 0
    for batch in queue:
        if not isinstance(batch, FrameBatch):
            return (len(frames), FrameBatch.concatenate(frames)) if frames else (1, batch)
        if frames and rows + len(batch) > PIECE:
            break
        frames.append(batch)
        rows += len(batch)
    return (len(frames), FrameBatch.concatenate(frames)) if frames else (0, None)
