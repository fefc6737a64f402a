"""Raw rows on their way out, in memory: what does not fit gives way, and what gave way is told in its place.

Batches of rows come in from whoever records them, which never waits; messages come out, numbered without gaps. At the
bound new rows are left out; how many stands in the stream as a row of a loss, so that whoever watches from afar is told
where something is missing.
"""

from __future__ import annotations

import threading
from collections import deque

import numpy as np

from livewatch.data.frames import FrameBatch
from livewatch.data.samples import Rows, SampleBatch, rows_of
from livewatch.sources.mqtt.rows_message import MOST_ROWS, pack_rows

__all__ = ["RowsOut"]

MOST_WAITING = 200_000
"""Rows held while the link is slow or gone: at 2,000 frames a second more than a minute and a half."""
LEFT_OUT = "rows not published: the link was too slow"


class RowsOut:
    """`channels` are the profile's, in its order. `left_out` counts the rows that gave way."""

    def __init__(self, channels: tuple[str, ...]) -> None:
        self.number = 0
        """Of the next message."""
        self.left_out = 0
        self._channels = channels
        self._lock = threading.Lock()
        self._waiting: deque[Rows] = deque()
        self._rows = self._untold = 0

    @property
    def waiting(self) -> int:
        """Rows that wait."""
        return self._rows

    def add(self, rows: Rows) -> None:
        """Take rows; does not wait."""
        with self._lock:
            small = isinstance(rows, SampleBatch) and rows.silence
            if self._rows + len(rows) > MOST_WAITING * (2 if small else 1):
                self.left_out += len(rows)
                self._untold += len(rows)
                return
            if self._untold:
                lost = SampleBatch(rows.time[:1].astype(np.int64), (), {LEFT_OUT: self._untold}, silence=True)
                self._waiting.append(lost)
                self._rows, self._untold = self._rows + 1, 0
            self._waiting.append(rows)
            self._rows += len(rows)

    def take(self) -> bytes | None:
        """The next message; None when there is nothing to send."""
        with self._lock:
            if not self._waiting:
                return None
            first = self._waiting.popleft()
            if len(first) > MOST_ROWS:
                self._waiting.appendleft(rows_of(first, MOST_ROWS, len(first)))
                first = rows_of(first, 0, MOST_ROWS)
            parts, size = [first], len(first)
            while isinstance(first, FrameBatch) and self._waiting:
                following = self._waiting[0]
                if not isinstance(following, FrameBatch) or size + len(following) > MOST_ROWS:
                    break
                parts.append(self._waiting.popleft())
                size += len(following)
            self._rows -= size
            number = self.number
            self.number += 1
        rows = (
            first
            if len(parts) == 1
            else FrameBatch.concatenate([part for part in parts if isinstance(part, FrameBatch)])
        )
        return pack_rows(rows, number, self._channels)
