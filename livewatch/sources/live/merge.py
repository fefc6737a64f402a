"""Frames of several live buses in one order.

Batches as the adapters hand them over come in, a few milliseconds' worth at a time; one batch in order of time comes
out. Two adapters are never emptied at the same instant, so what was taken in is kept back until every adapter was seen
to hold nothing more since: then all that is as old has come in. Frames of one bus keep the order they were received in,
whatever their stamps say, and none is kept back longer than the others of its batch, however a clock jumps.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from livewatch.data.frames import FrameBatch

__all__ = ["Merge"]


class _Take(NamedTuple):
    """What is known of batches that are kept back."""

    moment: float
    newest: int
    since: float


class Merge:
    """`buses` are the names that every batch carries."""

    def __init__(self, buses: tuple[str, ...]) -> None:
        self._kept = FrameBatch.empty(buses)
        self._kept_key: NDArray[np.int64] = np.empty(0, np.int64)
        self._takes: deque[_Take] = deque()
        self._horizon = 0

    @property
    def since(self) -> float | None:
        """All that was received before this moment was given out; None where nothing is kept back."""
        return self._takes[0].since if self._takes else None

    def take(
        self, batches: Sequence[FrameBatch], moment: float = 0.0, emptied: float | None = None, since: float = 0.0
    ) -> FrameBatch:
        """What is due of `batches`, taken in at `moment`, and of what was kept back, in order of time.

        Args:
            moment: of any clock that does not step, s.
            emptied: every adapter was seen, by the same clock, to hold nothing at this moment or later; None: nothing
                is to be kept back.
            since: nothing in `batches` was received before this moment.
        """
        key = np.concatenate([self._kept_key, *map(self._keys, batches)])
        if batches:
            newest = max(int(batch.time.max(initial=0)) for batch in batches)
            self._takes.append(_Take(moment, newest, since))
        due: list[int] = []
        while self._takes and (emptied is None or self._takes[0].moment <= emptied):
            due.append(self._takes.popleft().newest)
        self._horizon = max(due, default=self._horizon)
        if not len(key):
            return self._kept
        order = np.argsort(key, kind="stable")
        key = key[order]
        merged = FrameBatch.concatenate([self._kept, *batches])[order]
        count = int(np.searchsorted(key, self._horizon, side="right")) if self._takes else len(key)
        self._kept, self._kept_key = merged[count:], key[count:]
        return merged[:count]

    def _keys(self, batch: FrameBatch) -> NDArray[np.int64]:
        """int64 (n,), what the frames of one bus are ordered by: the newest stamp so far, not a frame's own, for a bus
        whose clock steps back must not overtake itself."""
        if not len(batch):
            return batch.time
        own = self._kept_key[self._kept.bus == batch.bus[0]]
        keys: NDArray[np.int64] = np.maximum(np.maximum.accumulate(batch.time), own.max(initial=batch.time[0]))
        return keys
