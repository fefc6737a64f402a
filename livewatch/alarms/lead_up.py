"""The seconds before an alarm: what its event carries as evidence.

Ticks come in; for any tick of the batch at hand, or the latest one, the values of all channels then and over the time
`Profile.lead_up` before it come out, for its event. The time before is kept ten times a second, at ticks whose index
is a whole multiple of the stride, so that neither the cutting of the ticks nor the moment of the alarm moves the
points; the memory for it is bounded and does not grow. Values keep 9 significant digits, those of the time before 6;
they are rounded when somebody reads them, which a diagnosis without a log does not.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from livewatch.data.events import Fact, SecondsBefore
from livewatch.data.samples import Quality
from livewatch.data.ticks import TickBatch
from livewatch.profile.model import Profile

__all__ = ["LeadUp", "Seen", "significant"]

SPACING: Final = 100_000_000
"""Aimed-at ns between the points kept; the nearest whole number of ticks is taken."""
VALUE_DIGITS: Final = 9
BEFORE_DIGITS: Final = 6


class Seen(NamedTuple):
    """What the channels were at a tick, under the names of the fields of `AlarmChanged`."""

    values: Mapping[str, float | None]
    units: Mapping[str, str]
    quality: Mapping[str, str]
    before: SecondsBefore


class Rounded(Mapping[str, Any]):
    """By channel the value, or the list of values, of `block`, float64 (channels,) or (channels, points), rounded to so
    many significant `digits` when they are first read."""

    __slots__ = ("_block", "_digits", "_names", "_read")

    def __init__(self, names: Sequence[str], block: NDArray[np.float64], digits: int) -> None:
        self._names = names
        self._block = block
        self._digits = digits
        self._read: dict[str, Any] | None = None

    def _all(self) -> dict[str, Any]:
        if self._read is None:
            self._read = dict(zip(self._names, significant(self._block, self._digits), strict=True))
        return self._read

    def __getitem__(self, name: str) -> Any:
        return self._all()[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._names)

    def __len__(self) -> int:
        return len(self._names)


class LeadUp:
    """Holds the latest tick and a ring of every `stride`-th one before it."""

    def __init__(self, profile: Profile) -> None:
        channels = profile.channels
        self._names = [channel.name for channel in channels]
        self._units = {channel.name: channel.unit for channel in channels}
        self._index = profile.index
        self._period = profile.period
        self._stride = max(1, round(SPACING / profile.period))
        self._points = profile.lead_up // (self._stride * profile.period)
        self._ring = np.full((len(channels), self._points + 1), np.nan)
        self._batch: TickBatch | None = None
        self._latest_value = np.full(len(channels), np.nan)
        self._latest_quality = np.full(len(channels), int(Quality.NEVER_SEEN), np.uint8)

    def observe(self, ticks: TickBatch) -> None:
        """From here on, ticks of this batch can be asked for."""
        self._batch = ticks

    def keep(self) -> None:
        """The batch is done with: keep what later ones need of it."""
        ticks = self._batch
        if ticks is None:
            return
        self._batch = None
        self._latest_value = ticks.value[:, -1].copy()
        self._latest_quality = ticks.quality[:, -1].copy()
        stop = ticks.first + len(ticks)
        size = self._ring.shape[1]
        newest = (stop - 1) // self._stride
        oldest = max(-(-ticks.first // self._stride), newest - size + 1)
        point = np.arange(oldest, newest + 1)
        self._ring[:, point % size] = ticks.value[:, point * self._stride - ticks.first]

    def value(self, channel: str) -> float | None:
        """The value of a channel at the latest tick kept, None when unknown or no channel."""
        row = self._index.get(channel)
        if row is None or np.isnan(self._latest_value[row]):
            return None
        return float(self._latest_value[row])

    def at(self, tick: int) -> Seen:
        """All channels at a tick, the quality in words of those that are not good, and the time before."""
        value, quality = self._column(tick)
        values = Rounded(self._names, value.copy(), VALUE_DIGITS)
        words = {self._names[row]: Quality(int(quality[row])).word for row in np.flatnonzero(quality != Quality.GOOD)}
        return Seen(values, self._units, words, self._before(tick))

    def evidence(self, tick: int, channels: tuple[str, ...]) -> tuple[Fact, ...]:
        """What made an alarm true: each of the channels with its value, unit, and quality when it is not good."""
        value, quality = self._column(tick)
        known = [channel for channel in channels if channel in self._index]
        rows = [self._index[channel] for channel in known]
        numbers = significant(value[rows], VALUE_DIGITS)
        words = [None if one == Quality.GOOD else Quality(one).word for one in quality[rows].tolist()]
        return tuple(map(Fact, known, numbers, map(self._units.__getitem__, known), words))

    def _column(self, tick: int) -> tuple[NDArray[np.float64], NDArray[np.uint8]]:
        if self._batch is None:
            return self._latest_value, self._latest_quality
        offset = tick - self._batch.first
        return self._batch.value[:, offset], self._batch.quality[:, offset]

    def _before(self, tick: int) -> SecondsBefore:
        """The points in the lead-up, oldest first, the last one before `tick`."""
        newest = (tick - 1) // self._stride
        oldest = max(0, newest - self._points + 1)
        if self._batch is None:
            block = self._ring[:, np.arange(oldest, newest + 1) % self._ring.shape[1]]
        else:
            first, value = self._batch.first, self._batch.value
            here = min(max(oldest, -(-first // self._stride)), newest + 1)
            start, stop = here * self._stride - first, max(0, newest * self._stride - first + 1)
            kept = self._ring[:, np.arange(oldest, here) % self._ring.shape[1]]
            block = np.hstack((kept, value[:, start : stop : self._stride]))
        every = self._stride * self._period
        return SecondsBefore(
            every / 1e9,
            round((newest * every if newest >= oldest else tick * self._period) / 1e9, 6),
            Rounded(self._names, block, BEFORE_DIGITS),
        )


def significant(value: NDArray[np.float64], digits: int) -> list[Any]:
    """The numbers rounded to so many significant digits, None for what is not finite; lists in the shape of `value`."""
    finite = np.isfinite(value)
    ordinary = np.where(finite & (value != 0.0), value, 1.0)
    places = digits - 1 - np.floor(np.log10(np.abs(ordinary))).astype(np.int64)
    # Powers of ten are exact up to 22, so that one rounded division gives the double nearest to the decimal.
    up = 10.0 ** np.clip(places, 0, 22)
    down = 10.0 ** np.clip(-places, 0, 22)
    rounded = np.where(places >= 0, np.rint(ordinary * up) / up, np.rint(ordinary / down) * down)
    beyond = np.abs(places) > 22
    if beyond.any():
        rounded[beyond] = [float(f"{one:.{digits - 1}e}") for one in ordinary[beyond].tolist()]
    numbers = np.where(value == 0.0, value, rounded).astype(object)
    numbers[~finite] = None
    return list(numbers.tolist())
