"""A live run in a thread of its own: buses into the run, however busy the screen is.

Frames come in from the buses of a `LiveSource`; they go through the `Run` as they arrive. When a bus falls silent, data
time goes on by the host's clock, a quarter of a second behind, so that lost channels are told while the silence lasts.
A person's actions are handed over and carried out between two batches.
"""

from __future__ import annotations

import gc
import sys
import time as wall
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from typing import TypeVar

from livewatch.run.run import Run
from livewatch.run.worker import Worker
from livewatch.sources.live.source import (
    COLLECT_EVERY,
    BusStatus,
    LiveBus,
    LiveSource,
    found_buses_text,
    list_buses,
    parse_live_buses,
)
from livewatch.sources.polling.poller import Poller

__all__ = [
    "LiveBus",
    "LiveRun",
    "found_buses_text",
    "list_buses",
    "parse_live_buses",
    "spare_from_collection",
]

T = TypeVar("T")

SILENCE = 0.25
"""Seconds that data time stays behind the host's clock while nothing is received: longer than a frame takes from the
adapter to here, so that a frame on its way is not overtaken."""
LOOK_EVERY = 0.05
HAND_ON = 0.0005
"""Seconds after which a thread at work in Python lets another one have its turn that wants it. At Python's own 5 ms a
reader, which gives way at every frame, would get 200 frames a second through while the screen is being drawn."""


def spare_from_collection() -> None:
    """Have Python's garbage collector pass over all that was made so far, from now on. Looking through everything a
    program keeps takes it a tenth of a second, in which no thread runs; what was made before a run begins stays to its
    end, and there is nothing to look for in it."""
    gc.freeze()


class LiveRun:
    """Args:
    run: what the frames go through; from `start` to the end of `stop` only this run's thread touches it.
    buses: what to listen to.
    transmit: whether the profile's polls are sent.
    """

    def __init__(self, run: Run, buses: Sequence[LiveBus], transmit: bool = False) -> None:
        self.run = run
        self.source = LiveSource(buses, transmit)
        self._poller = Poller(run.profile, self.source) if transmit else None
        self._worker = Worker("livewatch run", self._round, self._finish, "the run has ended")
        self._usual_hand_on = sys.getswitchinterval()
        self._due = self._look = self._taken = 0.0
        self._newest = 0

    def start(self) -> None:
        """Open the buses and begin.

        Raises:
            SourceError: a bus cannot be opened; nothing was begun.
        """
        spare_from_collection()
        self.source.open()
        self._usual_hand_on = sys.getswitchinterval()
        sys.setswitchinterval(HAND_ON)
        self._worker.start()

    def stop(self) -> None:
        """End the run: close the buses, finish the pipeline, close the recording. Calling it again does nothing."""
        self._worker.stop()
        sys.setswitchinterval(self._usual_hand_on)

    @property
    def running(self) -> bool:
        """Whether the run still goes on."""
        return self._worker.running

    @property
    def failure(self) -> BaseException | None:
        """What ended the run against its will."""
        return self._worker.failure

    def submit(self, call: Callable[[], T]) -> Future[T]:
        """Have something done by the run's thread between two batches (a person's action, a look at the alarms); its
        result, or what it raised, comes by the future. After the end of the run the future fails at once."""
        return self._worker.submit(call)

    def statuses(self) -> list[BusStatus]:
        """How each bus is doing."""
        return self.source.status()

    def _round(self) -> float:
        now = wall.monotonic()
        if now >= self._due:
            self._due = now + COLLECT_EVERY
            self._receive()
            if self._poller is not None:
                self._poller.step()
            if now >= self._look:
                self._look = now + LOOK_EVERY
                self._pass_time()
        return max(0.0, self._due - wall.monotonic())

    def _receive(self) -> None:
        batch = self.source.collect()
        if not len(batch):
            return
        if self._poller is not None:
            self._poller.observe(batch)
        self._newest = max(self._newest, int(batch.time[-1]))
        self._taken = wall.monotonic()
        with self.source.turn.taken():
            events = self.run.judge(batch)
        self.run.announce(events)

    def _pass_time(self) -> None:
        silence = wall.monotonic() - self._taken
        if self._newest and silence > SILENCE:
            self.run.count(self._counts())
            self.run.advance(self._newest + round((silence - SILENCE) * 1e9))

    def _finish(self) -> None:
        try:
            self.source.close()
            self._receive()
        finally:
            self.run.count(self._counts())
            self.run.close(self._now())

    def _counts(self) -> dict[str, int]:
        return {**self.source.counts, **(self._poller.counts if self._poller is not None else {})}

    def _now(self) -> int | None:
        """Where data time stands when the run ends, on the source's clock, in whole microseconds as the manifest keeps
        it; None when nothing was received."""
        if not self._newest:
            return None
        silence = wall.monotonic() - self._taken
        return (self._newest + max(0, round((silence - SILENCE) * 1e9))) // 1000 * 1000
