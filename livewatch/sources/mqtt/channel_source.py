"""Channels that messages bring: a logger in the car, a dyno, a weather station.

A profile's `mqtt` says which topic brings which channel, where in the message its value is, and the sender's time.
Messages come in; samples come out, `window` behind the present, in the order of their time. A sender whose clock is not
the Unix epoch's is put at this machine's clock once, like an adapter's (see `sources.live.clock`). What comes later
than the window is taken at the time it comes, and counted; so is what holds no number.
"""

from __future__ import annotations

import heapq
import math
import threading
import time
from collections import Counter
from collections.abc import Callable, Sequence
from datetime import datetime
from typing import Any

import numpy as np

from livewatch.data.clock import nanoseconds_of
from livewatch.data.outside import read_json
from livewatch.data.samples import Quality, SampleBatch, SampleColumn
from livewatch.errors import UsageError
from livewatch.profile.model import MqttChannel, Profile
from livewatch.profile.units import convert
from livewatch.sources.live.clock import StampClock
from livewatch.sources.live.status import SILENT_AFTER, BusState, BusStatus
from livewatch.sources.live.turn import Turn
from livewatch.sources.mqtt.broker import Broker
from livewatch.sources.mqtt.link import Connection, Link

__all__ = ["ChannelSource"]

LARGEST = 65_536
"""Bytes of a message."""
MOST_WAITING = 100_000
"""Samples held for a pipeline that does not come to fetch them."""
AHEAD = 1_000_000_000
"""ns that a sender's time may lie ahead of this machine's; what lies further ahead is taken to be now."""
MALFORMED = "messages that hold no number"
LATE = "messages that came too late to be put in order"
FELL_BEHIND = "messages lost because livewatch fell behind"
_STEPS = {"s": 1_000_000_000, "ms": 1_000_000, "us": 1_000, "ns": 1}


class _Bound:
    """One channel and how its messages are read."""

    def __init__(self, profile: Profile, name: str, entry: MqttChannel) -> None:
        self.channel = profile.index[name]
        self.entry = entry
        unit = profile.channels[self.channel].unit
        self.scale, self.offset = (1.0, 0.0) if entry.unit is None else convert(entry.unit, unit)
        self.valid = profile.channels[self.channel].valid
        self.clock = StampClock()
        self.first_arrival = 0

    def read(self, data: Any, now: int) -> tuple[int, float, int]:
        """Time (ns since the Unix epoch), value in the channel's unit, quality.

        Raises:
            ValueError: there is no such number in it.
        """
        number = _at(data, self.entry.field)
        if isinstance(number, bool) or not isinstance(number, int | float) or not math.isfinite(number):
            raise ValueError("no number")
        value = float(number) * self.scale + self.offset
        quality = Quality.GOOD if self.valid[0] <= value <= self.valid[1] else Quality.OUT_OF_RANGE
        return self._stamp(data, now), value, int(quality)

    def _stamp(self, data: Any, now: int) -> int:
        if not self.entry.time:
            return now
        stamp = _at(data, self.entry.time)
        if self.entry.time_unit == "utc":
            if not isinstance(stamp, str) or len(stamp) > 40:
                raise ValueError("no time")
            nanoseconds = nanoseconds_of(datetime.fromisoformat(stamp))
        elif isinstance(stamp, bool) or not isinstance(stamp, int | float) or not abs(stamp) < 1e19:
            raise ValueError("no time")
        else:
            nanoseconds = round(stamp * _STEPS[self.entry.time_unit])
        if abs(nanoseconds) >= 1 << 62:
            raise ValueError("no time")
        self.first_arrival = self.first_arrival or now
        return int(self.clock.align(np.array([nanoseconds], np.int64), self.first_arrival, now)[0])


class ChannelSource:
    """Args:
    broker: where they come from.
    profile: which they are.
    reached: where data time has got to, ns since the Unix epoch, None before it began: no sample is given out as older.

    Raises:
        UsageError: the profile names no channel that messages bring.
    """

    def __init__(self, broker: Broker, profile: Profile, reached: Callable[[], int | None]) -> None:
        if not profile.mqtt.channels:
            raise UsageError(
                "--from-mqtt: the profile says of no channel which messages bring it; expected "
                "`mqtt: {channels: {oil_pressure: {topic: cell/oil, unit: bar}}}`, or a station: BROKER/STATION"
            )
        self.turn = Turn()
        self.finished = False
        self._reached = reached
        self._bound: dict[str, list[_Bound]] = {}
        for name, entry in profile.mqtt.channels.items():
            self._bound.setdefault(entry.topic, []).append(_Bound(profile, name, entry))
        self._window = profile.mqtt.window
        self._link = Link(broker, self._serve)
        self._lock = threading.Lock()
        self._waiting: list[tuple[int, int, int, float, int]] = []
        """Time, number of arrival, channel, value, quality: a heap."""
        self._arrivals = 0
        self._horizon = 0
        self._counts: Counter[str] = Counter()
        self._heard: float | None = None
        self._closed = False

    def open(self) -> None:
        """Begin to listen."""
        self._link.start()

    def close(self) -> None:
        """Listen no more; what waits is given out by `collect`."""
        self._link.stop()
        self._closed = True

    def collect(self) -> SampleBatch:
        """What is due, oldest first: samples stamped before the window."""
        with self._lock:
            due = time.time_ns() - (0 if self._closed else self._window)
            taken: list[tuple[int, int, int, float, int]] = []
            while self._waiting and (self._closed or self._waiting[0][0] <= due):
                taken.append(heapq.heappop(self._waiting))
            self._horizon = max(self._horizon, self._reached() or 0)
            times = []
            for stamp, *_ in taken:
                self._horizon = max(self._horizon, stamp)
                times.append(self._horizon)
        return _batch(times, [(channel, value, quality) for _, _, channel, value, quality in taken])

    def emptied(self) -> float:
        """All stamped before this moment of the machine's monotonic clock is given out by the next `collect`."""
        return time.monotonic() - self._window / 1e9

    @property
    def counts(self) -> dict[str, int]:
        """What went wrong so far, by plain-worded kind."""
        with self._lock:
            return dict(self._counts)

    def status(self) -> list[BusStatus]:
        """How the link is doing, as if it were a bus."""
        age = None if self._heard is None else time.monotonic() - self._heard
        state: BusState = "open" if age is not None and age <= 5 * SILENT_AFTER else "silent"
        if self._link.trouble:
            state = "lost"
        return [
            BusStatus(
                name="mqtt",
                adapter=str(self._link.broker),
                state=state,
                trouble=self._link.trouble,
                frames=self._arrivals,
                rate=0.0,
                load=None,
                error_frames=0,
                unreadable=self._counts[MALFORMED],
                dropped=self._counts[FELL_BEHIND],
                losses=max(0, self._link.connections - 1),
                age=age,
                silent_on_wire=None,
                clock_off=None,
            )
        ]

    async def _serve(self, connection: Connection) -> None:
        await connection.subscribe(*self._bound)
        async for message in connection.messages():
            if not message.retain:  # what a broker kept is of another time
                self.take(str(message.topic), message.payload)

    def take(self, topic: str, payload: Any) -> None:
        """A message has come."""
        now = time.time_ns() // 1000 * 1000
        try:
            if not isinstance(payload, bytes | bytearray) or len(payload) > LARGEST:
                raise ValueError("too large")
            data = read_json(bytes(payload))
        except (ValueError, RecursionError):
            self._count(MALFORMED)
            return
        self._heard = time.monotonic()
        for bound in self._bound.get(topic, ()):
            try:
                stamp, value, quality = bound.read(data, now)
            except (ValueError, OverflowError):
                self._count(MALFORMED)
                continue
            with self._lock:
                stamp = now if stamp > now + AHEAD else stamp // 1000 * 1000
                if stamp < self._horizon:
                    self._counts[LATE] += 1
                if len(self._waiting) >= MOST_WAITING:
                    self._counts[FELL_BEHIND] += 1
                    continue
                self._arrivals += 1
                heapq.heappush(self._waiting, (stamp, self._arrivals, bound.channel, value, quality))

    def _count(self, kind: str) -> None:
        with self._lock:
            self._counts[kind] += 1


def _at(data: Any, path: str) -> Any:
    """What stands in a message under a path such as `engine.oil.pressure`."""
    for name in path.split(".") if path else ():
        if not isinstance(data, dict) or name not in data:
            raise ValueError(f"nothing under {path}")
        data = data[name]
    return data


def _batch(times: Sequence[int], samples: Sequence[tuple[int, float, int]]) -> SampleBatch:
    columns: dict[int, list[tuple[int, float, int]]] = {}
    for row, (channel, value, quality) in enumerate(samples):
        columns.setdefault(channel, []).append((row, value, quality))
    made = []
    for channel, entries in columns.items():
        rows, values, qualities = zip(*entries, strict=True)
        made.append(SampleColumn(channel, np.array(rows, np.int64), np.array(values), np.array(qualities, np.uint8)))
    return SampleBatch(np.array(times, np.int64), made)
