"""Frames of several live buses in one order.

Batches as the adapters hand them over come in, a few milliseconds' worth at a time; one batch in order of time comes
out. Two adapters are never emptied at the same instant, so the newest few milliseconds are kept back once, until
frames of the other buses that are just as old have come in. Frames of one bus keep the order they were received in,
whatever their stamps say, and none is kept back twice, however a clock jumps.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from livewatch.data.frames import FrameBatch

__all__ = ["Merge"]


class Merge:
    """`buses` are the names that every batch carries."""

    def __init__(self, buses: tuple[str, ...]) -> None:
        self._kept = FrameBatch.empty(buses)
        self._kept_key: NDArray[np.int64] = np.empty(0, np.int64)

    @property
    def keeps(self) -> bool:
        """Whether anything is kept back."""
        return len(self._kept) > 0

    def take(self, batches: Sequence[FrameBatch], horizon: int | None) -> FrameBatch:
        """Everything kept back the last time, and of `batches` what is not newer than `horizon` (ns since the Unix
        epoch, None for all of it), in order of time."""
        kept = len(self._kept)
        key = np.concatenate([self._kept_key, *map(self._keys, batches)])
        if not len(key):
            return self._kept
        order = np.argsort(key, kind="stable")
        key = key[order]
        merged = FrameBatch.concatenate([self._kept, *batches])[order]
        due = len(key) if horizon is None else int(np.searchsorted(key, horizon, side="right"))
        if kept:
            due = max(due, int(np.flatnonzero(order < kept)[-1]) + 1)
        self._kept, self._kept_key = merged[due:], key[due:]
        return merged[:due]

    def _keys(self, batch: FrameBatch) -> NDArray[np.int64]:
        """int64 (n,), what the frames of one bus are ordered by: the newest stamp so far, not a frame's own, for a bus
        whose clock steps back must not overtake itself."""
        if not len(batch):
            return batch.time
        own = self._kept_key[self._kept.bus == batch.bus[0]]
        keys: NDArray[np.int64] = np.maximum(np.maximum.accumulate(batch.time), own.max(initial=batch.time[0]))
        return keys
