"""A live run in a thread of its own: buses into the run, however busy the screen is.

Frames come in from the buses of a `LiveSource`; they go through `Run.push` as they arrive. When a bus falls silent,
data time goes on by the host's clock, a quarter of a second behind, so that lost channels are told while the silence
lasts. A person's actions are handed over and carried out between two batches.
"""

from __future__ import annotations

import asyncio
import sys
import threading
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from typing import TypeVar

from livewatch.run.garbage import spare_what_is_there
from livewatch.run.run import Run
from livewatch.sources.live.source import (
    BusStatus,
    LiveBus,
    LiveSource,
    found_buses_text,
    list_buses,
    parse_live_buses,
)
from livewatch.sources.polling.poller import Poller

__all__ = ["LiveBus", "LiveRun", "found_buses_text", "list_buses", "parse_live_buses"]

T = TypeVar("T")

SILENCE = 0.25
"""Seconds that data time stays behind the host's clock while nothing is received: longer than a frame takes from the
adapter to here, so that a frame on its way is not overtaken."""
LOOK_EVERY = 0.05
HAND_ON = 0.0005
"""Seconds after which a thread at work in Python lets another one have its turn that wants it. At Python's own 5 ms a
reader, which gives way at every frame, would get 200 frames a second through while the screen is being drawn."""


class LiveRun:
    """Args:
    run: what the frames go through; from `start` to the end of `stop` only this thread touches it.
    buses: what to listen to.
    transmit: whether the profile's polls are sent.
    """

    def __init__(self, run: Run, buses: Sequence[LiveBus], transmit: bool = False) -> None:
        self.run = run
        self.source = LiveSource(buses, transmit)
        self.failure: BaseException | None = None
        """What ended the run against its will."""
        self._poller = Poller(run.profile, self.source) if transmit else None
        self._thread = threading.Thread(target=self._live, name="livewatch-run", daemon=True)
        self._loop: asyncio.AbstractEventLoop | None = None
        self._stop: asyncio.Event | None = None
        self._ready: Future[None] = Future()
        self._usual_hand_on = sys.getswitchinterval()
        self._newest = 0
        self._taken = 0.0

    def start(self) -> None:
        """Open the buses and begin.

        Raises:
            SourceError: a bus cannot be opened; nothing was begun.
        """
        spare_what_is_there()
        self._usual_hand_on = sys.getswitchinterval()
        sys.setswitchinterval(HAND_ON)
        self._thread.start()
        self._ready.result()

    def stop(self) -> None:
        """End the run: close the buses, finish the pipeline, close the recording. Calling it again does nothing."""
        if self._loop is not None and self._stop is not None and self._thread.is_alive():
            self._loop.call_soon_threadsafe(self._stop.set)
        self._thread.join()
        sys.setswitchinterval(self._usual_hand_on)

    @property
    def running(self) -> bool:
        """Whether the run still goes on."""
        return self._thread.is_alive()

    def submit(self, call: Callable[[], T]) -> Future[T]:
        """Have something done by the run's thread between two batches (a person's action, a look at the alarms); its
        result, or what it raised, comes by the future. After the end of the run the future fails at once."""
        done: Future[T] = Future()

        def carry_out() -> None:
            try:
                done.set_result(call())
            except Exception as error:
                done.set_exception(error)

        if self._loop is None or not self._thread.is_alive():
            done.set_exception(RuntimeError("the run has ended"))
        else:
            try:
                self._loop.call_soon_threadsafe(carry_out)
            except RuntimeError as error:
                done.set_exception(error)
        return done

    def statuses(self) -> list[BusStatus]:
        """How each bus is doing."""
        return self.source.status()

    def _live(self) -> None:
        try:
            asyncio.run(self._main())
        except BaseException as error:
            if self._ready.done():
                self.failure = error
            else:
                self._ready.set_exception(error)

    async def _main(self) -> None:
        self._loop = asyncio.get_running_loop()
        self._stop = asyncio.Event()
        await self.source.open()
        self._ready.set_result(None)
        tasks = [asyncio.create_task(self._receive()), asyncio.create_task(self._pass_time())]
        if self._poller is not None:
            tasks.append(asyncio.create_task(self._poller.poll()))
        stopping = asyncio.create_task(self._stop.wait())
        try:
            await asyncio.wait([*tasks, stopping], return_when=asyncio.FIRST_COMPLETED)
            await self.source.close()
            for task in tasks[1:]:
                task.cancel()
            await tasks[0]
            for task in tasks[1:]:
                if task.done() and not task.cancelled() and (error := task.exception()) is not None:
                    raise error
        finally:
            self.run.count(self._counts())
            self.run.close(self._now())

    async def _receive(self) -> None:
        async for batch in self.source.batches():
            if self._poller is not None:
                self._poller.look(batch)
            self._newest = max(self._newest, int(batch.time[-1]))
            self._taken = asyncio.get_running_loop().time()
            with self.source.turn.taken():
                events = self.run.look(batch)
            self.run.tell(events)

    async def _pass_time(self) -> None:
        while True:
            await asyncio.sleep(LOOK_EVERY)
            silence = asyncio.get_running_loop().time() - self._taken
            if self._newest and silence > SILENCE:
                self.run.count(self._counts())
                self.run.advance(self._newest + round((silence - SILENCE) * 1e9))

    def _counts(self) -> dict[str, int]:
        return {**self.source.counts, **(self._poller.counts if self._poller is not None else {})}

    def _now(self) -> int | None:
        """Where data time stands when the run ends, on the source's clock, in whole microseconds as the manifest keeps
        it; None when nothing was received."""
        if not self._newest:
            return None
        silence = asyncio.get_running_loop().time() - self._taken
        return (self._newest + max(0, round((silence - SILENCE) * 1e9))) // 1000 * 1000
