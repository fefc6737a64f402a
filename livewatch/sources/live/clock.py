"""One time scale for adapters with clocks of their own.

Time stamps of one bus as its interface gave them come in, nanoseconds since the Unix epoch come out. Many interfaces
stamp with the host's own clock: their stamps go out as they came, to the byte, whatever that clock does. Others count
from power-up, from boot, or by a clock that was never set: their first frame is put at the host's clock, and anew when
such a clock starts over (a 32-bit microsecond counter wraps after 71.6 minutes, an adapter was reset). Others were
given the Unix epoch when they were opened, and count on by a quartz of their own.

Those last are told from the host's own clock by the frame that was taken soonest, of each ten seconds and more. Stamped
by the host's clock, it is late by its way through this machine: never ahead of the host's clock, and by no more after
hours than at first; a busy machine makes it more for a while, but keeps other frames waiting still longer. Stamped by
another clock, it comes to lie ahead of the host's, or leads away from it along a straight line, no steeper than a
quartz can be off, and all frames alike. Both have to last (half a minute; two minutes, and 20 ms), and what jumps,
because a clock was set, is no sign of either.

A clock of its own runs fast or slow by some 100 ppm, a third of a second an hour, and two of them apart: it is drawn
towards the host's clock little by little, so that the intervals between frames remain the adapter's own to within half
a thousandth and no stamp overtakes another. It is not drawn after a host's clock that is set.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["SetAhead", "StampClock"]

SAME_CLOCK = 5_000_000_000
"""Nanoseconds the first stamp may differ from the host's clock and still be taken for the Unix epoch; a step back by
more than this, on an adapter's own clock, means that it started over."""
FOLLOWED = 10_000_000_000
"""Nanoseconds, at the least, over which an adapter's clock is compared with the host's, by the frame that was taken
soonest; what it was off by is made up for over as long."""
LEAST_BATCHES = 40
"""Batches that such a comparison takes: most frames wait a little before they are taken."""
CLOSE = 1_000_000
"""Nanoseconds that are not worth following: the way through the adapter."""
STEEPEST = 5e-4
"""Share of the passing time by which a clock is drawn at the most: five times what a quartz is usually off by (common
practice)."""
AHEAD = 1_000_000_000
"""Nanoseconds by which stamps may run ahead of the machine's monotonic clock from one batch to the next: clocks that
are drawn right little by little, and frames that were taken late before, stay below. A host's clock that moves by more
was set."""
AHEAD_OF_HOST, COMPARISONS_AHEAD = 2_000_000, 3
"""Nanoseconds, and comparisons in a row, by which stamps ahead of the host's clock are of another one. One or two are
not: the host's clock was set back while its frames waited."""
APART, JUMP = 20_000_000, 20_000_000
"""Nanoseconds that a straight line has to lead away from the host's clock: twice what frames wait to be collected; and
that one comparison may differ from the last by more than by drift, before all begins anew."""
FEWEST, MOST = 12, 24
"""Comparisons that make a line, and that are kept: beyond, each two become one, and the next take twice as long."""
STRAIGHT, ALIKE = 25.0, 2.0
"""Times that it has to lead away as far as the worst comparison lies off it, and as what frames wait on average came to
differ by."""


@dataclass(slots=True)
class _Soonest:
    """The frame taken soonest, of the batches since `since` of the host's running time: how late it was, and when."""

    since: int
    late: int = 0
    at: int = 0
    batches: int = 0
    total: int = 0
    """How late all were, ns."""

    def add(self, late: int, running: int, length: int = FOLLOWED) -> bool:
        """Take note of the newest frame of a batch, ns; whether `length` and batches enough have passed."""
        if not self.batches or late < self.late:
            self.late, self.at = late, running
        self.batches += 1
        self.total += late
        return self.batches >= LEAST_BATCHES and running - self.since >= length


class _Drift:
    """Tells a clock that drifts from the host's: comparisons come in by `add`, over `length` ns each."""

    def __init__(self) -> None:
        self.length = FOLLOWED
        self._points: list[tuple[int, int, float]] = []
        """When, and how late, and how much later all were on average, ns."""
        self._ahead = 0

    def add(self, soonest: _Soonest) -> bool:
        """Whether it is surely a clock of its own."""
        at, late = soonest.at, soonest.late
        self._ahead = self._ahead + 1 if late < -AHEAD_OF_HOST else 0
        if self._ahead >= COMPARISONS_AHEAD:
            return True
        points = self._points
        if points and abs(late - points[-1][1]) > STEEPEST * (at - points[-1][0]) + JUMP:
            points.clear()
            self.length = FOLLOWED
        points.append((at, late, soonest.total / soonest.batches - late))
        if len(points) >= MOST:
            points[:] = [min(pair, key=lambda one: one[1]) for pair in zip(points[::2], points[1::2], strict=True)]
            self.length *= 2
        return len(points) >= FEWEST and self._straight()

    def _straight(self) -> bool:
        at, late, wait = np.array(self._points, np.float64).T
        at -= at[0]
        slope, first = np.polyfit(at, late, 1)
        led = abs(slope) * at[-1]
        off = np.abs(late - first - slope * at).max()
        straight = led >= max(APART, STRAIGHT * off, ALIKE * np.ptp(wait))
        return bool(straight and abs(slope) <= STEEPEST * (1 + 1 / STRAIGHT))


class StampClock:
    """`offset` is added to every stamp, None before the first frame. `restarts` counts clocks that started over."""

    def __init__(self) -> None:
        self.offset: int | None = None
        self.restarts = 0
        self._newest = 0
        self._own = False
        """Whether the stamps are of a clock that is not the host's."""
        self._set, self._host = 0, 0
        """ns by which the host's clock was set meanwhile, and what it was ahead of its running time."""
        self._begin_watching(0)

    def begin(self) -> None:
        """Forget the offset: the next frame is the first of an adapter that was opened anew."""
        self.offset = None

    def align(
        self, stamps: NDArray[np.int64], first_arrival: int, now: int, running: int | None = None
    ) -> NDArray[np.int64]:
        """int64 (n,), ns since the Unix epoch, for `stamps` of the same shape.

        `first_arrival` is the host's clock when the first frame ever was received, `now` the host's clock, both ns
        since the Unix epoch; `running` the machine's monotonic clock, ns, by which it is seen that the host's clock was
        set (looked at after `now`). Without it, that is never seen.
        """
        if not len(stamps):
            return stamps
        running = now if running is None else running
        if self.offset is None:
            ahead = first_arrival - int(stamps[0])
            self.offset = 0 if abs(ahead) <= SAME_CLOCK else ahead // 1000 * 1000
            self._newest = int(stamps[0])
            self._own = self.offset != 0
            self._set, self._host = 0, now - running
            self._begin_watching(running)
        if abs(now - running - self._host) > AHEAD:
            self._set += now - running - self._host
            if not self._own:
                self._begin_watching(running)
        self._host = now - running
        newest = int(stamps[-1])
        if not self._own:
            self._watch(now - newest, running)
            aligned = stamps
        elif len(starts := np.flatnonzero(stamps - np.concatenate(([self._newest], stamps[:-1])) < -SAME_CLOCK)):
            aligned = stamps + self.offset
            for start in starts:
                self.restarts += 1
                self.offset = (now - int(stamps[start])) // 1000 * 1000
                aligned[start:] = stamps[start:] + self.offset
            self._set = 0
            self._begin_following(running)
        else:
            drawn = (np.maximum(stamps - self._newest, 0) * self._slope + self._rest) // 1000 * 1000
            aligned = stamps + self.offset + drawn.astype(np.int64)
            self._rest += max(0, newest - self._newest) * self._slope - float(drawn[-1])
            self.offset += int(drawn[-1])
            self._follow(now - self._set - newest - self.offset, running)
        self._newest = newest
        return aligned

    def _begin_watching(self, running: int) -> None:
        self._drift = _Drift()
        self._begin_following(running)

    def _begin_following(self, running: int) -> None:
        self._slope = self._rest = 0.0
        """ns to be added for each ns of the adapter's clock, and what is left of that below a microsecond."""
        self._soonest = _Soonest(running)

    def _watch(self, late: int, running: int) -> None:
        """Take note of how far the newest stamp lies behind the host's clock; whether that is a clock of its own."""
        soonest = self._soonest
        if soonest.add(late, running, self._drift.length):
            self._own = self._drift.add(soonest)
            # Further off, one of the two was set: that distance stays.
            self._set = soonest.late if abs(soonest.late) > AHEAD else 0
            self._begin_following(running)

    def _follow(self, late: int, running: int) -> None:
        """Take note of how far the newest stamp lies behind the host's clock; once there is enough, the slope."""
        soonest = self._soonest
        if soonest.add(late, running):
            off = soonest.late if CLOSE < abs(soonest.late) <= AHEAD else 0
            self._slope = float(np.clip(off / (running - soonest.since), -STEEPEST, STEEPEST))
            self._soonest = _Soonest(running)


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
