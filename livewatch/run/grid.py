"""Samples onto ticks: zero-order hold with an age limit.

Samples with their data time come in; `TickBatch`es of all channels come out, the bound channels filled in and the
computed ones left unknown. Tick k, at data time k * period, holds for each channel the newest sample received at or
before it. A tick is made only when no earlier sample can follow. What comes out does not depend on how the samples
were cut, only its division into batches does.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from livewatch.data.clock import Clock
from livewatch.data.samples import Quality, SampleColumn
from livewatch.data.ticks import TickBatch
from livewatch.profile.model import Profile

__all__ = ["Grid"]

LARGEST_BATCH = 8192
"""Ticks made at once at the most: bounds memory through long silences."""

_Pending = tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.uint8]]
_Placed = tuple[NDArray[np.int64], NDArray[np.intp], int, NDArray[np.int64]]
"""Times of samples, which of them is the newest at each tick (-1 for none), how many the ticks have reached, and the
times of the others."""


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
        received, held, quality = np.empty(shape, np.int64), np.empty(shape), np.empty(shape, np.uint8)
        received[:], held[:], quality[:] = self._time[:, None], self._value[:, None], self._quality[:, None]
        # Signals of one message share their times, and so their places among the ticks: looked up once.
        known: dict[tuple[int, ...], _Placed] = {}
        for channel, parts in list(self._pending.items()):
            self._hold(channel, parts, tick, known, received[channel], held[channel], quality[channel])
        age = tick - received
        quality[(age > self._stale_after[:, None]) & (quality == Quality.GOOD)] = Quality.STALE
        seconds = (age / 1e9).astype(np.float32)
        seconds[quality == Quality.NEVER_SEEN] = np.nan
        value = np.where(quality == Quality.GOOD, held, np.nan)
        return TickBatch(first, self.period, self._index, value, quality, seconds, held, clock.utc(tick))

    def _hold(
        self,
        channel: int,
        parts: list[_Pending],
        tick: NDArray[np.int64],
        known: dict[tuple[int, ...], _Placed],
        received: NDArray[np.int64],
        held: NDArray[np.float64],
        quality: NDArray[np.uint8],
    ) -> None:
        """Write the samples waiting for one channel into its rows of the batch, and keep what is newer than it.
        `known` holds how samples lie among the ticks, by the identity of their times."""
        key = tuple(id(times) for times, _, _ in parts)
        placed = known.get(key)
        if placed is None:
            placed = known[key] = _place([times for times, _, _ in parts], tick)
        times, newest, used, rest = placed
        if len(parts) == 1:
            _, values, qualities = parts[0]
        else:
            values = np.concatenate([part[1] for part in parts])
            qualities = np.concatenate([part[2] for part in parts])
        if used:
            seen = 0 if newest[0] >= 0 else int(np.searchsorted(newest, 0))
            took = newest[seen:]
            times.take(took, out=received[seen:], mode="clip")
            values.take(took, out=held[seen:], mode="clip")
            qualities.take(took, out=quality[seen:], mode="clip")
            last = used - 1
            self._time[channel], self._value[channel] = times[last], values[last]
            self._quality[channel] = qualities[last]
        if len(rest):
            self._pending[channel] = [(rest, values[used:], qualities[used:])]
        else:
            del self._pending[channel]


def _place(parts: Sequence[NDArray[np.int64]], tick: NDArray[np.int64]) -> _Placed:
    times = parts[0] if len(parts) == 1 else np.concatenate(parts)
    newest = np.searchsorted(times, tick, side="right") - 1
    used = int(newest[-1]) + 1
    return times, newest, used, times[used:]
