"""One time scale for adapters with clocks of their own.

Time stamps of one bus as its interface gave them come in, nanoseconds since the Unix epoch come out. Interfaces that
stamp by the Unix epoch are left alone. Others count from power-up, from boot, or by a clock that was never set: their
first frame is put at the host's clock, and the offset stays as it is from then on, so that the intervals between frames
remain the adapter's own. It is fixed anew only when such a clock starts over (a 32-bit microsecond counter wraps after
71.6 minutes, an adapter was reset). An adapter's clock that runs fast or slow is not corrected; `BusStatus` tells how
far it is off by now.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["StampClock"]

SAME_CLOCK = 5_000_000_000
"""Nanoseconds the first stamp may differ from the host's clock and still be taken for the Unix epoch; a step back by
more than this, on an adapter's own clock, means that it started over."""


class StampClock:
    """`offset` is added to every stamp, None before the first frame. `restarts` counts clocks that started over."""

    def __init__(self) -> None:
        self.offset: int | None = None
        self.restarts = 0
        self._newest = 0

    def begin(self) -> None:
        """Forget the offset: the next frame is the first of an adapter that was opened anew."""
        self.offset = None

    def align(self, stamps: NDArray[np.int64], first_arrival: int, now: int) -> NDArray[np.int64]:
        """int64 (n,), ns since the Unix epoch, for `stamps` of the same shape.

        `first_arrival` is the host's clock when the first frame ever was received, `now` the host's clock, both ns
        since the Unix epoch.
        """
        if not len(stamps):
            return stamps
        if self.offset is None:
            ahead = first_arrival - int(stamps[0])
            self.offset = 0 if abs(ahead) <= SAME_CLOCK else ahead // 1000 * 1000
            self._newest = int(stamps[0])
        if self.offset == 0:
            return stamps
        before = np.concatenate(([self._newest], stamps[:-1]))
        self._newest = int(stamps[-1])
        starts = np.flatnonzero(stamps - before < -SAME_CLOCK)
        if not len(starts):
            return stamps + self.offset
        aligned = stamps + self.offset
        for start in starts:
            self.restarts += 1
            self.offset = (now - int(stamps[start])) // 1000 * 1000
            aligned[start:] = stamps[start:] + self.offset
        return aligned
