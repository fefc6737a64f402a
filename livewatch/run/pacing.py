"""The pace a recording is played at.

A speed comes in; which data time is due by now comes out, and, for whole batches, their rows when they are due. What is
played depends on the wall clock only in when, never in what or in which order.
"""

from __future__ import annotations

import time as wall
from collections.abc import Iterable, Iterator

from livewatch.data.late_numpy import np
from livewatch.data.samples import Rows, rows_of

__all__ = ["Pacer", "paced"]

PIECE = 0.02
"""Wall-clock seconds of rows handed out at once."""
LONGEST_WAIT = 5.0
"""Wall-clock seconds a gap in the recording is waited for at the most, at any speed."""
MOST_DEBT = 0.25
"""Wall-clock seconds a player may fall behind before it lets the time go."""


class Pacer:
    """Counts from the time it was last told to `begin` at, `speed` times as fast as the wall clock. Times are ns on any
    one clock of the recording."""

    def __init__(self, speed: float) -> None:
        self.speed = speed
        self._anchor = (wall.monotonic(), 0)

    def begin(self, time: int) -> None:
        """The recording stands at `time` now."""
        self._anchor = (wall.monotonic(), time)

    def due(self, ahead: int | None) -> int:
        """Where the recording should be by now. A silence before its next row, at `ahead`, that would last longer than
        LONGEST_WAIT is cut short to it."""
        now = wall.monotonic()
        due = self._anchor[1] + round((now - self._anchor[0]) * self.speed * 1e9)
        longest = round(LONGEST_WAIT * self.speed * 1e9)
        if ahead is not None and ahead - due > longest:
            due = ahead - longest
            self._anchor = (now, due)
        return due

    def forgive(self, due: int, reached: int) -> None:
        """Let the time go that cannot be made up for."""
        if due - reached > self.speed * 1e9 * MOST_DEBT:
            self.begin(reached)


def paced(batches: Iterable[Rows], speed: float | None) -> Iterator[Rows]:
    """The rows of `batches` at `speed` times the recorded pace; None for as fast as it goes (the batches as they are).

    A row stamped earlier than the one before it is due at once.
    """
    if speed is None:
        yield from batches
        return
    pacer = Pacer(speed)
    newest: int | None = None
    for batch in batches:
        if not len(batch):
            continue
        if newest is None:
            newest = int(batch.time[0])
            pacer.begin(newest)
        time = np.maximum.accumulate(np.maximum(batch.time, newest))
        newest = int(time[-1])
        start = 0
        while start < len(batch):
            ahead = int(time[start])
            due = pacer.due(ahead)
            if due < ahead:
                wall.sleep(max(PIECE / 10, min(PIECE, (ahead - due) / 1e9 / speed)))
                continue
            stop = int(np.searchsorted(time, due, side="right"))
            yield rows_of(batch, start, stop)
            start = stop
