"""One time scale for adapters with clocks of their own.

Time stamps of one bus as its interface gave them come in, nanoseconds since the Unix epoch come out. Interfaces that
stamp by the Unix epoch are left alone. Others count from power-up, from boot, or by a clock that was never set: their
first frame is put at the host's clock, and anew when such a clock starts over (a 32-bit microsecond counter wraps after
71.6 minutes, an adapter was reset). Such a clock runs fast or slow by some 100 ppm, a third of a second an hour, and
two of them apart: it is drawn towards the host's clock little by little, so that the intervals between frames remain
the adapter's own to within half a thousandth and no stamp overtakes another.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["SetAhead", "StampClock"]

SAME_CLOCK = 5_000_000_000
"""Nanoseconds the first stamp may differ from the host's clock and still be taken for the Unix epoch; a step back by
more than this, on an adapter's own clock, means that it started over."""
FOLLOWED = 10_000_000_000
"""Nanoseconds of the adapter's clock, at the least, over which it is compared with the host's, by the frame that was
taken soonest; what it was off by is made up for over as long."""
LEAST_BATCHES = 40
"""Batches that such a comparison takes: most frames wait a little before they are taken."""
CLOSE = 1_000_000
"""Nanoseconds that are not worth following: the way through the adapter."""
STEEPEST = 5e-4
"""Share of the passing time by which a clock is drawn at the most: five times what a quartz is usually off by (common
practice)."""
AHEAD = 1_000_000_000
"""Nanoseconds by which stamps may run ahead of the machine's monotonic clock from one batch to the next: clocks that
are drawn right little by little, and frames that were taken late before, stay below."""


class StampClock:
    """`offset` is added to every stamp, None before the first frame. `restarts` counts clocks that started over."""

    def __init__(self) -> None:
        self.offset: int | None = None
        self.restarts = 0
        self._newest = 0
        self._begin_following(0)

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
            self._begin_following(self._newest)
        if self.offset == 0:
            return stamps
        before = np.concatenate(([self._newest], stamps[:-1]))
        starts = np.flatnonzero(stamps - before < -SAME_CLOCK)
        if len(starts):
            aligned = stamps + self.offset
            for start in starts:
                self.restarts += 1
                self.offset = (now - int(stamps[start])) // 1000 * 1000
                aligned[start:] = stamps[start:] + self.offset
            self._begin_following(int(stamps[-1]))
        else:
            drawn = (np.maximum(stamps - self._newest, 0) * self._slope + self._rest) // 1000 * 1000
            aligned = stamps + self.offset + drawn.astype(np.int64)
            self._rest += max(0, int(stamps[-1]) - self._newest) * self._slope - float(drawn[-1])
            self.offset += int(drawn[-1])
            self._follow(int(stamps[-1]), now)
        self._newest = int(stamps[-1])
        return aligned

    def _begin_following(self, since: int) -> None:
        self._slope = self._rest = 0.0
        """ns to be added for each ns of the adapter's clock, and what is left of that below a microsecond."""
        self._since, self._batches, self._least = since, 0, 0

    def _follow(self, newest: int, now: int) -> None:
        """Take note of how far the newest stamp lies behind the host's clock; once there is enough, the slope."""
        assert self.offset is not None
        late = now - newest - self.offset
        self._least = late if not self._batches else min(self._least, late)
        self._batches += 1
        if newest - self._since >= FOLLOWED and self._batches >= LEAST_BATCHES:
            off = self._least if abs(self._least) > CLOSE else 0
            self._slope = float(np.clip(off / (newest - self._since), -STEEPEST, STEEPEST))
            self._since, self._batches = newest, 0


class SetAhead:
    """Tells a source's clock that was set ahead from silence: stamps that run away from this process's own running
    time. Frames that waited, because the process stood still, never do; they only catch up."""

    def __init__(self) -> None:
        self._most: int | None = None
        """The source's clock less the machine's monotonic one, ns, at the frames that were taken soonest."""
        self._newest = 0

    def place(self, stamps: NDArray[np.int64], taken: int) -> int | None:
        """The row of `stamps`, int64 (n,), ns, taken at `taken` ns of the monotonic clock, before which the source's
        clock was set ahead by more than AHEAD; None when it was not."""
        before = np.concatenate((stamps[:1] if self._most is None else [self._newest], stamps[:-1]))
        moved = stamps - before
        self._newest = int(stamps[-1])
        # A clock that was set back, and is set right again later, is set ahead then.
        back = int(moved[moved < -AHEAD].sum())
        newest = int(stamps.max()) - taken
        if self._most is None or newest - (self._most + back) <= AHEAD:
            self._most = newest if self._most is None else max(self._most + back, newest)
            return None
        self._most = int(stamps[-1]) - taken
        return int(np.argmax(moved))
