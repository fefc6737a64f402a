"""One at a time: the threads of a live run take turns at work.

Only one thread of an interpreter runs Python at a time, and every system call hands that right on. Readers that
empty their adapters frame by frame, beside a pipeline at work, lose it and fight for it again at each frame; that costs
more than reading the frame does. With a turn, each finishes its few milliseconds of work in one go.

A turn is courtesy, not a lock: whoever has waited `LONGEST` goes on without it, so that an adapter or a disk that
hangs holds up nobody else for longer than that.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager

__all__ = ["Turn"]

LONGEST = 0.050
"""Seconds to wait for a turn at the most: a socket of a full 1 Mbit/s bus holds many times that (see `live_socket`)."""


class Turn:
    """Shared by the readers of a live run and the thread that takes what they read."""

    def __init__(self) -> None:
        self._lock = threading.Lock()

    @contextmanager
    def taken(self) -> Iterator[None]:
        """Work while the others wait."""
        mine = self._lock.acquire(timeout=LONGEST)
        try:
            yield
        finally:
            if mine:
                self._lock.release()
