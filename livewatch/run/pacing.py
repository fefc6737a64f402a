"""Batches at the pace they were recorded at.

A recording's batches come in; the same rows come out, cut by their time stamps, each piece when it is due at the chosen
speed. What comes out depends on the wall clock only in when, never in what or in which order.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Iterable

import numpy as np

from livewatch.data.samples import Rows, rows_of

__all__ = ["paced"]

PIECE = 0.02
"""Wall-clock seconds of rows handed out at once."""
LONGEST_WAIT = 5.0
"""Wall-clock seconds a gap in the recording is waited for at the most, at any speed."""


async def paced(batches: Iterable[Rows], speed: float | None) -> AsyncIterator[Rows]:
    """The rows of `batches` at `speed` times the recorded pace; None for as fast as it goes (the batches as they are).

    A row stamped earlier than the one before it is due at once; a gap longer than LONGEST_WAIT at this speed is cut
    short to it.
    """
    if speed is None:
        for batch in batches:
            yield batch
            await asyncio.sleep(0)
        return
    loop = asyncio.get_running_loop()
    due = loop.time()
    newest: int | None = None
    for batch in batches:
        if not len(batch):
            continue
        before = newest if newest is not None else int(batch.time[0])
        ahead = np.diff(np.maximum.accumulate(np.concatenate(([before], batch.time))))
        newest = max(before, int(batch.time.max()))
        offset = np.cumsum(np.minimum(ahead / 1e9 / speed, LONGEST_WAIT))
        start = 0
        while start < len(batch):
            stop = max(start + 1, int(np.searchsorted(offset, offset[start] + PIECE, side="right")))
            wait = due + float(offset[start]) - loop.time()
            await asyncio.sleep(max(0.0, wait))
            yield rows_of(batch, start, stop)
            start = stop
        due += float(offset[-1])
