"""Frames that no channel is read from, remembered for as long as it takes to tell a bus that is silent from one that
carries somebody else's traffic.

Frames come in with what the decoder made of them; when such a frame was last heard on a bus, and which identifiers were
heard, goes out. Nothing is looked at before it is asked for: on a bus whose channels come, this costs nothing.
"""

from __future__ import annotations

from collections import deque
from typing import Final

import numpy as np
from numpy.typing import NDArray

from livewatch.data.frames import ERROR, EXTENDED, REMOTE, SENT, FrameBatch
from livewatch.decode.bus_traffic import ANSWER, LAYOUT

__all__ = ["HEARD_WITHIN", "OtherFrames"]

HEARD_WITHIN: Final = 2_000_000_000
"""Data time, ns, for which a frame shows that a bus is not silent: twice the period of what cars send most rarely
(common practice, no source)."""
MOST_NAMED: Final = 8
"""Identifiers named in a message."""
LONG_AGO: Final = -(1 << 60)


class OtherFrames:
    """Holds the frames of the last two seconds."""

    def __init__(self) -> None:
        self._pieces: deque[_Piece] = deque()

    def hear(self, time: NDArray[np.int64], batch: FrameBatch, codes: NDArray[np.uint32]) -> None:
        """Take frames in order of data time: `time` int64 (n,), ns, and of each what it is to the profile, see
        `bus_traffic`."""
        self._pieces.append(_Piece(time, batch, codes))

    def forget(self, until: int) -> None:
        """Nothing before data time `until`, ns, will be asked for any more."""
        pieces = self._pieces
        while pieces and pieces[0].time[-1] < until:
            pieces.popleft()
        if pieces and pieces[0].time[0] < until:
            pieces[0] = pieces[0].since(until)

    def last(self, bus: str, time: NDArray[np.int64]) -> NDArray[np.int64]:
        """int64 (n,): data time at which such a frame was last heard on a bus, at each `time` (ns, ascending); long ago
        where none is remembered."""
        heard = np.concatenate([np.array([LONG_AGO]), *(piece.of(bus)[0] for piece in self._pieces)])
        found: NDArray[np.int64] = heard[np.searchsorted(heard, time, side="right") - 1]
        return found

    def names(self, bus: str, start: int, stop: int) -> str:
        """The identifiers heard on a bus after data time `start` up to `stop`, ns, in hexadecimal, as words."""
        found: set[tuple[bool, int]] = set()
        for piece in self._pieces:
            time, rows = piece.of(bus)
            within = rows[np.searchsorted(time, start, side="right") : np.searchsorted(time, stop, side="right")]
            extended = (piece.batch.flags[within] & EXTENDED) != 0
            found.update(zip(extended.tolist(), piece.batch.identifier[within].tolist(), strict=True))
        named = [f"{identifier:0{8 if long else 3}X}" for long, identifier in sorted(found)]
        more = len(named) - MOST_NAMED
        return ", ".join(named[:MOST_NAMED]) + (f" and {more} more" if more > 0 else "")


class _Piece:
    """Frames of one batch; `of` is worked out once a bus, when it is asked for."""

    def __init__(self, time: NDArray[np.int64], batch: FrameBatch, codes: NDArray[np.uint32]) -> None:
        self.time, self.batch, self.codes = time, batch, codes
        self._of: dict[str, tuple[NDArray[np.int64], NDArray[np.intp]]] = {}

    def since(self, start: int) -> _Piece:
        place = int(np.searchsorted(self.time, start))
        return _Piece(self.time[place:], self.batch[place:], self.codes[place:])

    def of(self, bus: str) -> tuple[NDArray[np.int64], NDArray[np.intp]]:
        """When the frames of a bus came that no channel is read from, and their rows."""
        if bus not in self._of:
            batch = self.batch
            numbers = [number for number, name in enumerate(batch.buses) if name == bus]
            other = (self.codes & (LAYOUT | ANSWER)) == 0
            other &= (batch.flags & (ERROR | REMOTE | SENT)) == 0
            other &= np.isin(batch.bus, numbers)
            rows = np.flatnonzero(other)
            self._of[bus] = self.time[rows], rows
        return self._of[bus]
