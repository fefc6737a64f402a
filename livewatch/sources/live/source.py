"""Frames from live buses, several at once, through any interface of python-can.

`LiveBus` specifications go in (`engine=socketcan:can0@500k`); batches of frames come out, in one order over all
buses, at the latest 25 ms after a frame was received. Nothing is transmitted unless it was asked for, and then only
requests that read. A bus that is lost is opened again by itself while the others go on; what is lost or makes no sense
is counted.

    async with LiveSource(parse_live_buses(["engine=socketcan:can0@500k", "cell=virtual:cell"])) as source:
        async for batch in source.batches():
            ...

Time stamps are the adapter's own, in whole microseconds; an adapter whose clock is not the Unix epoch is put at the
host's clock once (see `live_clock`).
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Sequence
from types import TracebackType
from typing import Self

from livewatch.data.frames import FrameBatch
from livewatch.errors import UsageError, nearest
from livewatch.sources.live.find import FoundBus, found_buses_text, list_buses
from livewatch.sources.live.merge import Merge
from livewatch.sources.live.reader import BusReader
from livewatch.sources.live.spec import LiveBus, parse_live_buses
from livewatch.sources.live.status import BusStatus
from livewatch.sources.live.turn import Turn

__all__ = [
    "BusStatus",
    "FoundBus",
    "LiveBus",
    "LiveSource",
    "found_buses_text",
    "list_buses",
    "parse_live_buses",
]

COLLECT_EVERY = 0.010
"""Seconds between batches."""
SETTLE = 0.007
"""Seconds that the newest frames wait for frames of other buses that are just as old; longer than a reader rests."""


class LiveSource:
    """Args:
    buses: what to listen to; their names must differ.
    transmit: whether `send` may be used. Without it, adapters that can stay silent on the wire do.
    """

    def __init__(self, buses: Sequence[LiveBus], transmit: bool = False) -> None:
        names = tuple(bus.name for bus in buses)
        self.buses = tuple(buses)
        self.turn = Turn()
        """Taken by the readers; to be taken by whoever works on the batches in another thread."""
        self._readers = [BusReader(bus, index, names, transmit, self.turn) for index, bus in enumerate(buses)]
        self._merge = Merge(names)
        self._closed = False

    async def __aenter__(self) -> Self:
        await self.open()
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        await self.close()

    async def open(self) -> None:
        """Open all buses at once and begin to read.

        Raises:
            SourceError: one of them cannot be opened; none is left open.
        """
        results = await asyncio.gather(
            *(asyncio.to_thread(reader.open) for reader in self._readers), return_exceptions=True
        )
        for result in results:
            if isinstance(result, BaseException):
                await self.close()
                raise result
        for reader in self._readers:
            reader.start()

    async def close(self) -> None:
        """Stop reading and release all adapters. What was received last is still given out by `batches`."""
        await asyncio.gather(*(asyncio.to_thread(reader.close) for reader in self._readers))
        self._closed = True

    async def batches(self) -> AsyncIterator[FrameBatch]:
        """What is received, about every hundredth of a second, never an empty batch; ends once the source is closed
        and everything was given out."""
        loop = asyncio.get_running_loop()
        several = len(self._readers) > 1
        due = loop.time() + COLLECT_EVERY
        while not self._closed:
            await asyncio.sleep(max(0.0, due - loop.time()))
            horizon: int | None = None
            if several:
                newest = [time for reader in self._readers if (time := reader.newest) is not None]
                horizon = max(newest, default=0)
                await asyncio.sleep(SETTLE)
            due = loop.time() + COLLECT_EVERY
            batch = self._collect(horizon)
            if len(batch):
                yield batch
        batch = self._collect(None)
        if len(batch):
            yield batch

    def send(self, bus: str, identifier: int, data: bytes, extended: bool = False) -> None:
        """Put one diagnostic request on `bus`. It appears in the batches, marked SENT.

        Raises:
            LivewatchError: transmitting was not asked for, the frame is no request that reads, or the adapter refused.
        """
        for reader in self._readers:
            if reader.bus.name == bus:
                reader.send(identifier, extended, data)
                return
        names = [reader.bus.name for reader in self._readers]
        raise UsageError(f"there is no live bus {bus!r}{nearest(bus, names)}; there are {', '.join(names)}")

    def status(self) -> list[BusStatus]:
        """How each bus is doing, in the order they were given."""
        return [reader.status() for reader in self._readers]

    @property
    def counts(self) -> dict[str, int]:
        """What went wrong so far on all buses together, by plain-worded kind; only what did happen."""
        total: dict[str, int] = {}
        for reader in self._readers:
            for kind, number in reader.counts.items():
                if number:
                    total[kind] = total.get(kind, 0) + number
        return total

    def _collect(self, horizon: int | None) -> FrameBatch:
        with self.turn.taken():
            batches = [batch for reader in self._readers for batch in reader.take()]
            return self._merge.take(batches, horizon)
