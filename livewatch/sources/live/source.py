"""Frames from live buses, several at once, through any interface of python-can.

`LiveBus` specifications go in (`engine=socketcan:can0@500k`); batches of frames come out, in one order over all
buses, usually within 25 ms after a frame was received, within 0.1 s where full buses leave little time. Nothing is
transmitted unless it was asked for, and then only requests that read. A bus that is lost is opened again by itself
while the others go on; what is lost or makes no sense is counted.

    with LiveSource(parse_live_buses(["engine=socketcan:can0@500k", "cell=virtual:cell"])) as source:
        for batch in source.batches():
            ...

Time stamps are the adapter's own, in whole microseconds; an adapter whose clock is not the Unix epoch is put at the
host's clock and kept there (see `clock`).
"""

from __future__ import annotations

import time
from collections.abc import Callable, Collection, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from types import TracebackType
from typing import Self

from livewatch.data.frames import FrameBatch
from livewatch.data.python_can import can
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
    "next_collection",
    "parse_live_buses",
]

COLLECT_EVERY = 0.010
"""Seconds between batches, at the least; longer than a reader rests."""
COLLECT_AT_LATEST = 0.020
WORK_SHARE = 1 / 3
"""A batch costs several hundred frames' worth of work however few it holds. Where working on one takes more than this
share of the time between them, because the machine is slow or the buses are full, the next is taken later, at the
latest so many seconds after the last."""

KEPT_AT_MOST = 0.050
"""Seconds for which frames of several buses wait at the most for frames of the others that are as old."""
HANGS_AFTER = 1.0
"""Seconds after which an adapter that neither gives a frame nor says that it has none is waited for no longer."""
MOST_AWAKE = 0.05


def next_collection(began: float, done: float) -> float:
    """When the next batch is to be taken, where the last was taken at `began` and worked on until `done`, all in
    seconds of one clock: COLLECT_EVERY after it, or up to COLLECT_AT_LATEST where the work asks for it."""
    return began + min(max(COLLECT_EVERY, (done - began) / WORK_SHARE), COLLECT_AT_LATEST)


class LiveSource:
    """Args:
    buses: what to listen to; their names must differ.
    transmit: whether `send` may be used. Without it, adapters that can stay silent on the wire do.
    listed: identifiers of service 22 that may be asked for then.
    """

    def __init__(self, buses: Sequence[LiveBus], transmit: bool = False, listed: Collection[int] = ()) -> None:
        names = tuple(bus.name for bus in buses)
        self.buses = tuple(buses)
        self.turn = Turn()
        """Taken by the readers; to be taken by whoever works on the batches in another thread."""
        self._readers = [BusReader(bus, index, names, transmit, self.turn, listed) for index, bus in enumerate(buses)]
        self._merge = Merge(names)
        self._asked, self._awake = time.monotonic(), 0.0
        self._since = self._asked
        self._moved: list[tuple[float, float] | None] = [None] * len(self._readers)
        self._closed = False

    def __enter__(self) -> Self:
        self.open()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def open(self) -> None:
        """Open all buses at once and begin to read.

        Raises:
            SourceError: one of them cannot be opened; none is left open.
        """
        try:
            self._each(BusReader.open)
        except BaseException:
            self.close()
            raise
        for reader in self._readers:
            reader.start()

    def close(self) -> None:
        """Stop reading and release all adapters. What was received last is still given out by `collect`."""
        self._each(BusReader.close)
        self._closed = True

    def collect(self) -> FrameBatch:
        """What was received since the last call, perhaps nothing; to be called as `next_collection` says. Once the
        source is closed, everything that is left."""
        now = time.monotonic()
        alive = self._alive(now)
        emptied = max(min((reader.most_likely_emptied(now) for reader in alive), default=now), now - KEPT_AT_MOST)
        since, self._since = self._since, min((reader.emptied for reader in alive), default=now)
        with self.turn.taken():
            batches = [batch for reader in self._readers for batch in reader.take()]
            at_once = self._closed or len(self._readers) == 1
            return self._merge.take(batches, time.monotonic(), None if at_once else emptied, since)

    def emptied(self) -> float:
        """All that was received before this moment of the machine's monotonic clock is given out by the next `collect`
        at the latest. An adapter whose driver hangs for long is not waited for. To be asked before each `collect`:
        time in which this process did not run does not count."""
        now = time.monotonic()
        moments = [reader.emptied for reader in self._alive(now)]
        kept = self._merge.since
        return min(moments if kept is None else [*moments, kept], default=now)

    def _alive(self, now: float) -> list[BusReader]:
        """The readers whose adapters answered of late."""
        self._awake += min(now - self._asked, MOST_AWAKE)
        self._asked = now
        alive = []
        for place, reader in enumerate(self._readers):
            moment, moved = reader.emptied, self._moved[place]
            if moved is None or moment != moved[0]:
                self._moved[place] = moved = (moment, self._awake)
            if self._awake - moved[1] < HANGS_AFTER:
                alive.append(reader)
        return alive

    def batches(self) -> Iterator[FrameBatch]:
        """What is received, every 10 to 20 ms, never an empty batch; ends once the source is closed
        and everything was given out."""
        due = 0.0
        closed = False
        while not closed:
            time.sleep(max(0.0, due - time.monotonic()))
            # Counted from now: several buses need the time between for their order.
            began = time.monotonic()
            closed = self._closed
            batch = self.collect()
            if len(batch):
                yield batch
            due = next_collection(began, time.monotonic())

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

    def overhear(self, hear: Callable[[str, can.Message], None]) -> None:
        """Have `hear` called with the bus's name and each message as it is received, by the thread that received it,
        before it stands in a batch. It must not wait, and not raise."""
        for reader in self._readers:
            reader.overheard = hear

    def status(self) -> list[BusStatus]:
        """How each bus is doing, in the order they were given."""
        return [reader.status() for reader in self._readers]

    @property
    def finished(self) -> bool:
        """Whether nothing more can come: a bus may always speak again."""
        return False

    @property
    def counts(self) -> dict[str, int]:
        """What went wrong so far on all buses together, by plain-worded kind; only what did happen."""
        total: dict[str, int] = {}
        for reader in self._readers:
            for kind, number in reader.counts.items():
                if number:
                    total[kind] = total.get(kind, 0) + number
        return total

    def _each(self, do: Callable[[BusReader], None]) -> None:
        """Do something with all readers at once; what the first of them raised is raised."""
        with ThreadPoolExecutor(max(1, len(self._readers)), "livewatch adapter") as pool:
            for done in [pool.submit(do, reader) for reader in self._readers]:
                done.result()
