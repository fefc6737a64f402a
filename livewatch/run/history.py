"""What the channels did: the ticks of a run, thinned, kept for the screens and the report.

A `History` is a stage of the pipeline. It keeps every n-th tick (on absolute tick indices) as float32, either the last
so many seconds (live) or all of them (a recording). Screens may read it from another thread.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from livewatch.data.events import Event
from livewatch.data.late_numpy import np
from livewatch.profile.model import Profile

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from livewatch.data.ticks import TickBatch

__all__ = ["History"]


class History:
    """The thinned past of all channels.

    Args:
        profile: names the channels.
        every: nanoseconds of data time between kept ticks; rounded to whole ticks.
        keep: nanoseconds of data time kept at least; None keeps everything.

    `latest` is the newest `TickBatch` as it came, None before any.
    """

    def __init__(self, profile: Profile, every: int = 50_000_000, keep: int | None = 600_000_000_000) -> None:
        self.latest: TickBatch | None = None
        self.step = max(1, round(every / profile.period))
        """Ticks between two kept ones."""
        self.period = self.step * profile.period
        """Nanoseconds of data time between two kept ticks."""
        self._index = profile.index
        self._keep = None if keep is None else max(1, keep // self.period)
        # (values, None before any; index of the first kept tick; how many): replaced as one, so that a reader sees
        # them agree.
        self._state: tuple[NDArray[np.float32] | None, int, int] = (None, 0, 0)

    def observe(self, ticks: TickBatch, told: Sequence[Event] = ()) -> Sequence[Event]:
        """Keep what is due of the next ticks."""
        self.latest = ticks
        skip = -ticks.first % self.step
        rows = ticks.value[:, skip :: self.step].T
        if len(rows):
            self._append(rows)
        return ()

    def finish(self) -> Sequence[Event]:
        """Nothing is left to do."""
        return ()

    @property
    def span(self) -> tuple[int, int]:
        """Data time of the oldest and of the newest kept tick, ns; (0, 0) when there is none."""
        _, first, count = self._state
        return first * self.period, (first + max(0, count - 1)) * self.period

    def window(self, names: Sequence[str], start: int, stop: int) -> tuple[NDArray[np.int64], NDArray[np.float32]]:
        """Kept ticks with data time in `start..stop` (ns, inclusive): times int64 (n,) and values float32
        (len(names), n), NaN where not good or where the profile has no such channel."""
        values, first, count = self._kept()
        low = max(0, -(-start // self.period) - first)
        high = max(low, min(count, stop // self.period + 1 - first))
        times = (first + np.arange(low, high, dtype=np.int64)) * self.period
        columns = [
            values[low:high, self._index[name]] if name in self._index else np.full(high - low, np.nan, np.float32)
            for name in names
        ]
        return times, np.array(columns, np.float32).reshape(len(names), high - low)

    def at(self, time: int) -> dict[str, float]:
        """Every channel at the kept tick at or before data time `time` (ns); NaN where not good. Empty when none."""
        values, first, count = self._kept()
        row = min(count - 1, time // self.period - first)
        if row < 0:
            return {}
        return {name: float(values[row, column]) for name, column in self._index.items()}

    def _kept(self) -> tuple[NDArray[np.float32], int, int]:
        values, first, count = self._state
        return np.empty((0, len(self._index)), np.float32) if values is None else values, first, count

    def _append(self, rows: NDArray[np.float64]) -> None:
        values, first, count = self._kept()
        if count + len(rows) > len(values):
            drop = 0 if self._keep is None else max(0, count - self._keep)
            kept = count - drop
            larger = np.empty((max(1024, 2 * (kept + len(rows))), values.shape[1]), np.float32)
            larger[:kept] = values[drop:count]
            values, first, count = larger, first + drop, kept
        values[count : count + len(rows)] = rows
        self._state = (values, first, count + len(rows))
