"""A live run: buses into the run, in a thread that waits for no disk, no terminal and no socket.

Frames come in from the buses of a `LiveSource`; they go through the `Run` as they arrive, and its events go to an
`Announcer`. A person's actions are handed over and carried out between two batches. Everything the run is judged by is
a row, and every row is recorded, so that a replay finds what was found live:

- While nothing is received, data time goes on by rows of silence. They are made only for time in which the adapters
  were seen to be empty, a quarter of a second behind: frames that wait, because this process or the machine stood
  still, are taken first.
- A source's clock that is set ahead while it runs, which its stamps alone cannot tell from silence, is a row as well:
  data time stands still over the step that follows it.
- What was lost on the way (by the kernel, an adapter, a disk that is full) is a row with the counts, at the place where
  it is missing, told at once and then once a second at the most.

DEVELOPERS.md draws the arrangement, with what happens at each bound.
"""

from __future__ import annotations

import gc
import sys
import time as wall
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from typing import Protocol, TypeVar

import numpy as np

from livewatch.data.actions import Action
from livewatch.data.events import Event
from livewatch.data.frames import FrameBatch
from livewatch.data.samples import Rows, SampleBatch
from livewatch.run.announcer import Announcer
from livewatch.run.pipeline import SET_AHEAD
from livewatch.run.run import Run
from livewatch.run.worker import Worker
from livewatch.session.recorder import Recorder
from livewatch.sources.live.clock import SetAhead
from livewatch.sources.live.source import (
    BusStatus,
    LiveBus,
    LiveSource,
    found_buses_text,
    list_buses,
    next_collection,
    parse_live_buses,
)
from livewatch.sources.live.turn import Turn
from livewatch.sources.polling.poller import Poller

__all__ = [
    "LiveBus",
    "LiveRun",
    "RowSource",
    "found_buses_text",
    "list_buses",
    "parse_live_buses",
    "spare_from_collection",
]

T = TypeVar("T")

SILENCE = 0.25
"""Seconds that data time stays behind what the adapters are known to have held while nothing is received: longer than a
frame takes from the bus to here, so that a frame on its way is not overtaken."""
SILENT_ROWS_EVERY = 0.05
LOSSES_EVERY = 1.0
"""Seconds between rows of silence, and between rows that tell of losses, at the least."""
HAND_ON = 0.0005
"""Seconds after which a thread at work in Python lets another one have its turn that wants it. At Python's own 5 ms a
reader, which gives way at every frame, would get 200 frames a second through while the screen is being drawn."""


def spare_from_collection() -> None:
    """Have Python's garbage collector pass over all that was made so far, from now on. Looking through everything a
    program keeps takes it a tenth of a second, in which no thread runs; what was made before a run begins stays to its
    end, and there is nothing to look for in it."""
    gc.freeze()


class RowSource(Protocol):
    """What a live run receives rows from; see `LiveSource` for what each of these promises."""

    turn: Turn

    @property
    def finished(self) -> bool:
        """Whether nothing more can come."""

    @property
    def counts(self) -> dict[str, int]: ...

    def open(self) -> None: ...

    def close(self) -> None: ...

    def collect(self) -> Rows: ...

    def emptied(self) -> float: ...

    def status(self) -> list[BusStatus]: ...


class LiveRun:
    """Args:
    run: what the frames go through; from `start` to the end of `stop` only this run's thread touches it.
    buses: what to listen to.
    transmit: whether the profile's polls are sent.
    received: makes of the buses what rows are received from, where there is more than buses or something else.
    """

    def __init__(
        self,
        run: Run,
        buses: Sequence[LiveBus],
        transmit: bool = False,
        received: Callable[[LiveSource], RowSource] | None = None,
    ) -> None:
        self.run = run
        listed = {one.identifier for port in run.profile.diagnostics for one in port.parameters if one.service == 0x22}
        live = LiveSource(buses, transmit, listed)
        self.source: RowSource = live if received is None else received(live)
        recorder = run.recorder
        self._recorder = recorder if isinstance(recorder, Recorder) else None
        self.announcer = Announcer(self._recorder, run.listeners)
        run.outbox = self.announcer.put
        self.poller = Poller(run.profile, live) if transmit else None
        """Asks the profile's polls; None where nothing is transmitted."""
        self._worker = Worker("livewatch run", self._round, self._finish, "the run has ended")
        self._usual_hand_on = sys.getswitchinterval()
        self._due = self._silent_row_due = self._losses_due = 0.0
        self._base, self._since = 0, 0.0
        """The source's clock at the newest frame, ns, and when it was taken, by the machine's monotonic clock."""
        self._told: dict[str, int] = {}
        self._set_ahead = SetAhead()

    def start(self) -> None:
        """Open the buses and begin.

        Raises:
            SourceError: a bus cannot be opened; nothing was begun.
        """
        spare_from_collection()
        self.source.open()
        self._usual_hand_on = sys.getswitchinterval()
        sys.setswitchinterval(HAND_ON)
        self._base, self._since = wall.time_ns() // 1000 * 1000, wall.monotonic()
        self.announcer.start()
        if self.poller is not None:
            self.poller.start()
        self._worker.start()

    def stop(self) -> None:
        """End the run: ask a car that was polled a last time about itself, close the buses, finish the pipeline, close
        the recording. Calling it again does nothing."""
        if self.poller is not None and self._worker.running:
            self.poller.finish()
        self._worker.stop()
        sys.setswitchinterval(self._usual_hand_on)

    @property
    def running(self) -> bool:
        """Whether the run still goes on."""
        return self._worker.running

    @property
    def finished(self) -> bool:
        """Whether nothing more can come."""
        return self.source.finished

    @property
    def failure(self) -> BaseException | None:
        """What ended the run against its will, or was wrong with who listens to it."""
        return self._worker.failure or self.announcer.failure

    def submit(self, call: Callable[[], T]) -> Future[T]:
        """Have something done by the run's thread between two batches (a person's action, a look at the alarms); its
        result, or what it raised, comes by the future. After the end of the run the future fails at once."""
        return self._worker.submit(call)

    def note(self, text: str) -> Future[list[Event]]:
        """Have a note written into the log, as a person would."""
        return self.submit(lambda: self.run.apply(Action("note", text=text)))

    def statuses(self) -> list[BusStatus]:
        """How each bus is doing."""
        return self.source.status()

    def _round(self) -> float:
        now = wall.monotonic()
        if now >= self._due:
            emptied = self.source.emptied()
            if not self._receive() and now >= self._silent_row_due:
                self._silent_row_due = now + SILENT_ROWS_EVERY
                self._pass_time(emptied)
            if now >= self._losses_due:
                self._tell_losses()
            self._due = next_collection(now, wall.monotonic())
        return max(0.0, self._due - wall.monotonic())

    def _receive(self) -> bool:
        batch = self.source.collect()
        if not len(batch):
            return False
        now = wall.monotonic()
        if isinstance(batch, FrameBatch) and isinstance(self.source, LiveSource):
            batch = self._after_a_set_clock(batch, now)
        self._judge(batch)
        self._base, self._since = self._clock(), now
        return True

    def _after_a_set_clock(self, batch: FrameBatch, now: float) -> FrameBatch:
        """What is left of a batch once a clock that was set ahead in it is told: the rest."""
        place = self._set_ahead.place(batch.time, round(now * 1e9))
        if place is None:
            return batch
        if place:
            self._judge(batch[:place])
            self._base, self._since = self._clock(), now
        # The time that really passed since, and the mark.
        passed = self._base + round((now - self._since) * 1e6) * 1000
        self._judge(_silence(max(self._clock(), passed), {SET_AHEAD: 1}))
        return batch[place:]

    def _judge(self, batch: Rows) -> None:
        with self.source.turn.taken():
            self.run.push(batch)

    def _clock(self) -> int:
        """The source's clock where data time has got to, in whole microseconds, as it is recorded, ns."""
        newest = self.run.pipeline.newest
        return self._base if newest is None else newest

    def _pass_time(self, emptied: float) -> None:
        """Have data time go on while nothing is received; the adapters held nothing more at `emptied`."""
        reached = self._base + round((emptied - self._since - SILENCE) * 1e6) * 1000
        newest = self.run.pipeline.newest
        if reached > (self._base if newest is None else newest):
            if newest is None:
                # Data time begins where the listening began.
                self._judge(_silence(self._base))
            self._judge(_silence(reached))

    def _tell_losses(self) -> None:
        """What was lost since the last time, as a row."""
        counts = {**self.source.counts, **(self.poller.counts if self.poller is not None else {})}
        if self._recorder is not None:
            counts.update(self._recorder.losses)
        new = {kind: count - self._told.get(kind, 0) for kind, count in counts.items()}
        new = {kind: count for kind, count in new.items() if count > 0}
        if new:
            self._told = counts
            self._losses_due = wall.monotonic() + LOSSES_EVERY
            self._judge(_silence(self._clock(), new))

    def _finish(self) -> None:
        try:
            if self.poller is not None:
                self.poller.stop()
            self.source.close()
            emptied = self.source.emptied()
            while self._receive():
                pass
            self._pass_time(emptied)
            if self._recorder is not None:
                self._recorder.drain()
            self._tell_losses()
        finally:
            self.run.close()
            self.announcer.close()
            if self._recorder is not None:
                self._recorder.close(self.run.pipeline.utc)
                self.announcer.settle()


def _silence(utc: int, lost: dict[str, int] | None = None) -> SampleBatch:
    """A row of a run that listened in vain, at `utc` of the source's clock, ns."""
    return SampleBatch(np.array([utc], np.int64), (), lost or {}, silence=True)
