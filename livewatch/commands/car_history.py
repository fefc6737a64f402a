"""While a car is watched: what changed in it since its last session, as notes in the log.

The run's events come in from its announcer; a thread of its own looks for the session before, compares, and hands the
sentences on. It holds up nobody: earlier sessions are read while the run goes on.
"""

from __future__ import annotations

import contextlib
import queue
import threading
from collections.abc import Callable, Sequence
from pathlib import Path

from livewatch import (
    CarRecord,
    Event,
    FaultCodesRead,
    IdentityRead,
    ReadinessRead,
    car_changes,
    last_car_record,
)
from livewatch.wording.car import change_sentence

__all__ = ["CarHistory"]

QUIET = 3.0
"""Seconds after the last word of the car after which it is taken to have said all there is."""


class CarHistory:
    """Args:
    parent: the folder of sessions.
    folder: the session that goes on.
    name: of the profile.
    note: what is done with each sentence.
    """

    def __init__(self, parent: Path, folder: Path, name: str, note: Callable[[str], object]) -> None:
        self._parent, self._folder, self._note = parent, folder, note
        self._record = CarRecord(name=name)
        self._events: queue.SimpleQueue[Event | None] = queue.SimpleQueue()
        self._thread = threading.Thread(target=self._work, name="livewatch car history", daemon=True)
        self._thread.start()

    def hear(self, events: Sequence[Event]) -> None:
        """Take what the run said; does not wait."""
        for event in events:
            if isinstance(event, FaultCodesRead | IdentityRead | ReadinessRead) and self._thread.is_alive():
                self._events.put(event)

    def close(self) -> None:
        """End."""
        self._events.put(None)
        self._thread.join(1.0)

    def _work(self) -> None:
        heard = False
        while True:
            try:
                event = self._events.get(timeout=QUIET if heard else None)
            except queue.Empty:
                break
            if event is None:
                return
            self._record.hear(event)
            heard = heard or isinstance(event, IdentityRead)
        before = last_car_record(self._parent, self._record, self._folder)
        if before is None:
            return
        for change in car_changes(before, self._record):
            with contextlib.suppress(Exception):  # the run may have ended meanwhile
                self._note(change_sentence(change, before.session))
