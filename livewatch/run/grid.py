"""Samples onto ticks: zero-order hold with an age limit.

Samples with their data time come in; `TickBatch`es of all channels come out, the bound channels filled in and the
computed ones left unknown. Tick k, at data time k * period, holds for each channel the newest sample received at or
before it. A tick is made only when no earlier sample can follow. What comes out does not depend on how the samples
were cut, only its division into batches does.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from livewatch.data.clock import Clock
from livewatch.data.samples import Quality, SampleColumn
from livewatch.data.ticks import TickBatch
from livewatch.profile.model import Profile

__all__ = ["Grid"]

LARGEST_BATCH = 8192
"""Ticks made at once at the most: bounds memory through long silences."""

NEVER_SEEN, GOOD, STALE = int(Quality.NEVER_SEEN), int(Quality.GOOD), int(Quality.STALE)

_Pending = tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.uint8]]


class _Placed(NamedTuple):
    """How the samples of a channel lie among the ticks; the same for all signals of one message.

    Attributes:
        times: of all of them, data time, ns.
        newest: which of them is the newest at each tick, from tick `seen` on; none is before.
        used: how many the ticks have reached.
        rest: times of the others.
    """

    times: NDArray[np.int64]
    newest: NDArray[np.int64]
    seen: int
    used: int
    rest: NDArray[np.int64]


class _Ages(NamedTuple):
    """How old what is held is at each tick: ns, the most of it, and s as float32."""

    age: NDArray[np.int64]
    most: int
    seconds: NDArray[np.float32]


class Grid:
    """Holds the newest sample of every channel and the samples that no tick has reached yet."""

    def __init__(self, profile: Profile) -> None:
        channels = len(profile.channels)
        self.period = profile.period
        self.next = 0
        """Index of the next tick to be made."""
        self._index = profile.index
        self._stale_after = np.array([channel.stale_after for channel in profile.channels], np.int64)
        self._time = np.zeros(channels, np.int64)
        self._value = np.full(channels, np.nan)
        self._quality = np.full(channels, Quality.NEVER_SEEN, np.uint8)
        self._pending: dict[int, list[_Pending]] = {}

    def add(self, columns: Sequence[SampleColumn], data_time: NDArray[np.int64]) -> None:
        """Take samples; `data_time` (int64 (rows,), ns) is what their `row` points into."""
        # Signals of one message share their rows, and so their times: looked up once.
        known: dict[int, NDArray[np.int64]] = {}
        for column in columns:
            if len(column.row):
                times = known.get(id(column.row))
                if times is None:
                    times = known[id(column.row)] = data_time[column.row]
                self._pending.setdefault(column.channel, []).append((times, column.value, column.quality))

    def ticks(self, until: int, clock: Clock) -> Iterator[TickBatch]:
        """Make every tick before data time `until` (ns, exclusive)."""
        stop = -(-until // self.period)
        while self.next < stop:
            upto = min(stop, self.next + LARGEST_BATCH)
            yield self._batch(self.next, upto, clock)
            self.next = upto

    def _batch(self, first: int, stop: int, clock: Clock) -> TickBatch:
        tick = np.arange(first, stop, dtype=np.int64) * self.period
        shape = (len(self._time), len(tick))
        held, quality, seconds = np.empty(shape), np.empty(shape, np.uint8), np.empty(shape, np.float32)
        # Signals of one message share their times, and so their places among the ticks and ages: worked out once.
        known: dict[tuple[int, ...], _Placed] = {}
        ages: dict[tuple[int, int], _Ages] = {}
        for channel in range(len(self._time)):
            before, was = int(self._time[channel]), int(self._quality[channel])
            held[channel], quality[channel] = self._value[channel], was
            parts = self._pending.get(channel)
            placed = None if parts is None else self._hold(channel, parts, tick, known, held[channel], quality[channel])
            key = (id(placed), before)
            aged = ages.get(key)
            if aged is None:
                aged = ages[key] = _aged(placed, before, tick)
            seconds[channel] = aged.seconds
            if was == NEVER_SEEN:
                seconds[channel, : None if placed is None else placed.seen] = np.nan
            if aged.most > self._stale_after[channel]:
                stale = (aged.age > self._stale_after[channel]) & (quality[channel] == GOOD)
                quality[channel, stale] = STALE
        value = held.copy()
        for channel in np.flatnonzero(quality.any(axis=1)).tolist():
            value[channel, quality[channel] != GOOD] = np.nan
        return TickBatch(first, self.period, self._index, value, quality, seconds, held, clock.utc(tick))

    def _hold(
        self,
        channel: int,
        parts: list[_Pending],
        tick: NDArray[np.int64],
        known: dict[tuple[int, ...], _Placed],
        held: NDArray[np.float64],
        quality: NDArray[np.uint8],
    ) -> _Placed:
        """Write the samples waiting for one channel into its rows of the batch, and keep what is newer than it.
        `known` holds how samples lie among the ticks, by the identity of their times."""
        key = tuple(id(times) for times, _, _ in parts)
        placed = known.get(key)
        if placed is None:
            placed = known[key] = _place([times for times, _, _ in parts], tick, self.period)
        if len(parts) == 1:
            _, values, qualities = parts[0]
        else:
            values = np.concatenate([part[1] for part in parts])
            qualities = np.concatenate([part[2] for part in parts])
        used = placed.used
        if used:
            values.take(placed.newest, out=held[placed.seen :], mode="clip")
            if qualities[:used].any():
                qualities.take(placed.newest, out=quality[placed.seen :], mode="clip")
            else:
                quality[placed.seen :] = GOOD
            last = used - 1
            self._time[channel], self._value[channel] = placed.times[last], values[last]
            self._quality[channel] = qualities[last]
        if len(placed.rest):
            self._pending[channel] = [(placed.rest, values[used:], qualities[used:])]
        else:
            del self._pending[channel]
        return placed


def _place(parts: Sequence[NDArray[np.int64]], tick: NDArray[np.int64], period: int) -> _Placed:
    times = parts[0] if len(parts) == 1 else np.concatenate(parts)
    # The tick, counted from the first of the batch, at which each sample is there for the first time.
    there = -(-times // period) - tick[0] // period
    used = int(np.searchsorted(there, len(tick)))
    newest = np.cumsum(np.bincount(np.maximum(there[:used], 0), minlength=len(tick))) - 1
    seen = int(np.searchsorted(newest, 0))
    return _Placed(times, newest[seen:], seen, used, times[used:])


def _aged(placed: _Placed | None, before: int, tick: NDArray[np.int64]) -> _Ages:
    """Ages where the sample held before was received at data time `before`."""
    if placed is None or not placed.used:
        age = tick - before
    else:
        age = np.empty_like(tick)
        age[: placed.seen] = tick[: placed.seen] - before
        age[placed.seen :] = tick[placed.seen :] - placed.times[placed.newest]
    return _Ages(age, int(age.max()), (age / 1e9).astype(np.float32))
