"""Samples onto ticks: zero-order hold with an age limit.

Samples with their data time come in; `TickBatch`es of all channels come out, the bound channels filled in; the values
of the computed ones are for the pipeline to fill in. Tick k, at data time k * period, holds for each channel the newest
sample received at or before it. A tick is made only when no earlier sample can follow. What comes out does not depend
on how the samples were cut, only its division into batches does.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from livewatch.data.clock import Clock
from livewatch.data.samples import Quality, SampleColumn
from livewatch.data.ticks import Ages, Held, Span, TickBatch
from livewatch.profile.model import Profile

__all__ = ["Grid"]

LARGEST_BATCH = 32768
"""Ticks made at once at the most: bounds memory through long silences."""
BEGINNING = 1024
"""Ticks that are made apart from those behind them: in the first seconds not all is known yet, and of what is not known
throughout a batch each tick has to be looked at."""
FEW = 64
"""Ticks up to which it is cheaper to reckon the ages of all channels at once than those of each message once: a live
run makes one tick or two at a time."""

NEVER_SEEN, GOOD, STALE = int(Quality.NEVER_SEEN), int(Quality.GOOD), int(Quality.STALE)

_Pending = tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.uint8]]


_Held = tuple[NDArray[np.float64], NDArray[np.uint8], Ages, NDArray[np.float64] | Held, dict[int, Span]]
"""Value, quality, age in s, and what is held whether good or not, each (channels, ticks); and `TickBatch.spans`."""


class _Placed(NamedTuple):
    """How the samples of a channel lie among the ticks; the same for all signals of one message.

    Attributes:
        times: of all of them, data time, ns.
        newest: which of them is the newest at each tick, from tick `seen` on; none is before.
        used: how many the ticks have reached.
        rest: times of the others.
        oldest: how old the oldest of them is when the next one comes, or at the last tick, ns; 0 where none is used.
    """

    times: NDArray[np.int64]
    newest: NDArray[np.int64]
    seen: int
    used: int
    rest: NDArray[np.int64]
    oldest: int = 0


class _AgesOnDemand:
    """The ages of what is held at many ticks: hardly any of them are ever asked for.

    Args:
        tick: data time of each, ns.
        channels: of each bound channel how its samples lie among the ticks (None where none came), when the one before
            was received, and whether there was one; a computed channel is not in it.
        count: channels in all.
    """

    def __init__(
        self, tick: NDArray[np.int64], channels: dict[int, tuple[_Placed | None, int, bool]], count: int
    ) -> None:
        self._tick = tick
        self._channels = channels
        self._count = count

    def __getitem__(self, where: Any, /) -> Any:
        channel, ticks = where if isinstance(where, tuple) else (where, slice(None))
        count = len(self._tick)
        place = np.arange(*ticks.indices(count)) if isinstance(ticks, slice) else np.arange(count)[ticks]
        channels = np.arange(self._count)[channel]
        if channels.ndim == 0:
            return self._of(int(channels), place)
        found = np.empty((channels.size, *place.shape), np.float32)
        for row, one in enumerate(channels.ravel().tolist()):
            found[row] = self._of(one, place)
        return found

    def _of(self, channel: int, place: NDArray[np.int64]) -> Any:
        if channel not in self._channels:
            return np.zeros(place.shape, np.float32)[()]
        placed, before, known = self._channels[channel]
        seconds = (self.nanoseconds(placed, before, place) / 1e9).astype(np.float32)
        return seconds if known else np.where(place < _seen(placed, self._tick), np.float32(np.nan), seconds)[()]

    def nanoseconds(self, placed: _Placed | None, before: int, place: NDArray[np.int64]) -> NDArray[np.int64]:
        """Ages at these of the ticks where the sample held before was received at data time `before`."""
        received: NDArray[np.int64] | int = before
        if placed is not None and placed.used:
            at = placed.newest[np.maximum(place - placed.seen, 0)]
            received = np.where(place < placed.seen, before, placed.times[at])
        age: NDArray[np.int64] = self._tick[place] - received
        return age


class Grid:
    """Holds the newest sample of every channel and the samples that no tick has reached yet."""

    def __init__(self, profile: Profile) -> None:
        channels = len(profile.channels)
        self.period = profile.period
        self.next = 0
        """Index of the next tick to be made."""
        self._index = profile.index
        self._bound = [row for row, channel in enumerate(profile.channels) if channel.formula is None]
        self._computed = np.array([channel.formula is not None for channel in profile.channels], np.bool_)
        self._stale_after = np.array([channel.stale_after for channel in profile.channels], np.int64)
        self._time = np.zeros(channels, np.int64)
        self._value = np.full(channels, np.nan)
        self._quality = np.where(self._computed, GOOD, NEVER_SEEN).astype(np.uint8)
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

    def whole_until(self, until: int) -> int:
        """The latest data time, ns, up to `until` before which nothing but largest batches are to be made."""
        stop = -(-until // self.period)
        if stop < BEGINNING:
            return self.next * self.period
        start = max(self.next, BEGINNING)
        return (start + (stop - start) // LARGEST_BATCH * LARGEST_BATCH) * self.period

    def ticks(self, until: int, clock: Clock) -> Iterator[TickBatch]:
        """Make every tick before data time `until` (ns, exclusive)."""
        stop = -(-until // self.period)
        while self.next < stop:
            upto = min(stop, BEGINNING if self.next < BEGINNING else self.next + LARGEST_BATCH)
            yield self._batch(self.next, upto, clock)
            self.next = upto

    def _batch(self, first: int, stop: int, clock: Clock) -> TickBatch:
        tick = np.arange(first, stop, dtype=np.int64) * self.period
        held_at = self._few if len(tick) <= FEW else self._many
        value, quality, seconds, held, spans = held_at(tick)
        return TickBatch(first, self.period, self._index, value, quality, seconds, held, clock.utc(tick), spans)

    def _few(self, tick: NDArray[np.int64]) -> _Held:
        """What every channel holds at a few ticks."""
        shape = (len(self._time), len(tick))
        received, held, quality = np.empty(shape, np.int64), np.empty(shape), np.empty(shape, np.uint8)
        received[:], held[:], quality[:] = self._time[:, None], self._value[:, None], self._quality[:, None]
        known: dict[tuple[int, ...], _Placed] = {}
        for channel, parts in list(self._pending.items()):
            placed = _placed(parts, tick, self.period, known)
            if placed.used:
                placed.times.take(placed.newest, out=received[channel, placed.seen :], mode="clip")
                quality[channel, placed.seen :] = GOOD
            self._hold(channel, parts, placed, held[channel], quality[channel])
        age = tick - received
        quality[(age > self._stale_after[:, None]) & (quality == GOOD)] = STALE
        quality[self._computed] = GOOD
        seconds = (age / 1e9).astype(np.float32)
        seconds[quality == NEVER_SEEN] = np.nan
        seconds[self._computed] = 0.0
        return np.where(quality == GOOD, held, np.nan), quality, seconds, held, {}

    def _many(self, tick: NDArray[np.int64]) -> _Held:
        """The same at many ticks."""
        shape = (len(self._time), len(tick))
        value = np.empty(shape)
        held = Held(value)
        quality = np.zeros(shape, np.uint8)  # of a computed channel: good
        # Signals of one message share their times, and so their places among the ticks: worked out once.
        known: dict[tuple[int, ...], _Placed] = {}
        received: dict[int, tuple[_Placed | None, int, bool]] = {}
        ages = _AgesOnDemand(tick, received, shape[0])
        spans: dict[int, Span] = {}
        for channel in self._bound:
            before, was = int(self._time[channel]), int(self._quality[channel])
            parts = self._pending.get(channel)
            placed = None if parts is None else _placed(parts, tick, self.period, known)
            received[channel] = placed, before, was != NEVER_SEEN
            seen = _seen(placed, tick)
            oldest = 0 if placed is None else placed.oldest
            if seen:
                value[channel, :seen] = self._value[channel]
                quality[channel, :seen] = was
                oldest = max(oldest, int(tick[seen - 1]) - before)
            doubtful = bool(seen) and was != GOOD
            span = (float(self._value[channel]),) * 2 if seen else (np.inf, -np.inf)
            if parts is not None and placed is not None:
                good, used = self._hold(channel, parts, placed, value[channel], quality[channel])
                doubtful |= not good
                span = float(used.min(initial=span[0])), float(used.max(initial=span[1]))
            late = oldest > self._stale_after[channel]
            if late:
                age = ages.nanoseconds(placed, before, np.arange(len(tick)))
                quality[channel, (age > self._stale_after[channel]) & (quality[channel] == GOOD)] = STALE
            if late or doubtful:
                held.keep(channel)
                np.copyto(value[channel], np.nan, where=quality[channel] != GOOD)
            elif span[0] <= span[1]:
                spans[channel] = span
        return value, quality, ages, held, spans

    def _hold(
        self,
        channel: int,
        parts: list[_Pending],
        placed: _Placed,
        held: NDArray[np.float64],
        quality: NDArray[np.uint8],
    ) -> tuple[bool, NDArray[np.float64]]:
        """Write the samples waiting for one channel into its rows of the batch, from the first tick that has one on,
        and keep what is newer than it. Gives whether all that are written are good, and their values."""
        _, values, qualities = parts[0]
        if len(parts) > 1:
            values = np.concatenate([one[1] for one in parts])
            qualities = np.concatenate([one[2] for one in parts])
        used = placed.used
        doubtful = bool(np.count_nonzero(qualities[:used]))
        if used:
            values.take(placed.newest, out=held[placed.seen :], mode="clip")
            if doubtful:
                qualities.take(placed.newest, out=quality[placed.seen :], mode="clip")
            last = used - 1
            self._time[channel], self._value[channel] = placed.times[last], values[last]
            self._quality[channel] = qualities[last]
        if len(placed.rest):
            self._pending[channel] = [(placed.rest, values[used:], qualities[used:])]
        else:
            del self._pending[channel]
        return not doubtful, values[:used]


def _placed(
    parts: Sequence[_Pending], tick: NDArray[np.int64], period: int, known: dict[tuple[int, ...], _Placed]
) -> _Placed:
    """How the samples waiting for one channel lie among the ticks; `known` holds it by the identity of their times."""
    key = tuple([id(one[0]) for one in parts])
    placed = known.get(key)
    if placed is None:
        times = parts[0][0] if len(parts) == 1 else np.concatenate([one[0] for one in parts])
        if len(tick) <= FEW:
            newest = times.searchsorted(tick, "right") - 1
            used = int(newest[-1]) + 1
            seen = 0 if newest[0] >= 0 else int(newest.searchsorted(0))
            placed = known[key] = _Placed(times, newest[seen:], seen, used, times[used:])
            return placed
        # The tick, counted from the first of the batch, at which each sample is there for the first time.
        there = -(-times // period) - tick[0] // period
        used = int(np.searchsorted(there, len(tick)))
        there = np.maximum(there[:used], 0)
        seen = int(there[0]) if used else len(tick)
        lasts = np.empty_like(there)
        np.subtract(there[1:], there[:-1], out=lasts[:-1])
        lasts[-1:] = len(tick) - there[-1:]
        # At its last tick a sample is oldest; one that is held at none is younger than it seems here.
        oldest = tick[0] + (there + lasts - 1) * period - times[:used]
        placed = known[key] = _Placed(
            times, np.repeat(np.arange(used), lasts), seen, used, times[used:], int(oldest.max()) if used else 0
        )
    return placed


def _seen(placed: _Placed | None, tick: NDArray[np.int64]) -> int:
    """From which of the ticks on there is a sample of these."""
    return len(tick) if placed is None else placed.seen
