"""On-delay and off-delay, in ticks of data time.

Two columns come in, where the condition holds and where it is gone; the ticks at which the alarm becomes active and
stops being active come out. Between the two lies everything else, the deadband and the unknown: there the alarm keeps
its state, and both timers start anew. A condition that holds at tick k for the first time makes the alarm active at the
first tick that is at least the on-delay later, if it held at every tick up to and including that one; likewise for the
off-delay. Whole columns are looked at, and only the changes are walked; how the ticks were cut makes no difference.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

__all__ = ["Delay", "Edges"]

Edges = list[tuple[int, bool]]
"""Ticks, ascending, at which a level changes, and what it becomes."""


class Delay:
    """Whether the alarm is active, and since when what would change that has been so.

    Args:
        on_delay, off_delay: ns.
        period: ns between ticks.
    """

    __slots__ = ("_off", "_on", "_since", "active")

    def __init__(self, on_delay: int, off_delay: int, period: int) -> None:
        self._on = -(-on_delay // period)
        self._off = -(-off_delay // period)
        self.active = False
        self._since: int | None = None

    @property
    def resting(self) -> bool:
        """Not active, and no on-delay under way."""
        return not self.active and self._since is None

    def observe(self, first: int, holds: NDArray[np.bool_], gone: Callable[[], NDArray[np.bool_]]) -> Edges:
        """The changes over the next ticks, from tick `first` on.

        Args:
            holds: bool (n,), where the condition holds.
            gone: makes bool (n,), where it is gone, false wherever `holds` is true; called only when it matters.
        """
        began = None if self.active or self._since is None else self._since - first
        rises, since_rise = _ripe(holds, self._on, began)
        if not self.active and not len(rises):
            self._since = None if since_rise is None else first + since_rise
            return []
        began = self._since - first if self.active and self._since is not None else None
        falls, since_fall = _ripe(gone(), self._off, began)
        edges: Edges = []
        at = -1
        while True:
            candidates = falls if self.active else rises
            place = int(np.searchsorted(candidates, at, side="right"))
            if place == len(candidates):
                break
            at = int(candidates[place])
            self.active = not self.active
            edges.append((first + at, self.active))
        since = since_fall if self.active else since_rise
        self._since = None if since is None else first + since
        return edges


def _ripe(column: NDArray[np.bool_], delay: int, began: int | None) -> tuple[NDArray[np.intp], int | None]:
    """Offsets at which a run of true has lasted `delay` ticks, and the offset at which the run that is still under way
    at the end began. `began` (at most 0) is where a run that goes on into this column began."""
    if not column.any():
        return np.empty(0, np.intp), None
    padded = np.zeros(len(column) + 2, np.bool_)
    padded[1:-1] = column
    changes = np.flatnonzero(padded[1:] != padded[:-1])
    starts, ends = changes[0::2], changes[1::2]
    if began is not None and column[0]:
        starts[0] = began
    ripe = starts + delay
    under_way = int(starts[-1]) if ends[-1] == len(column) else None
    return ripe[(ripe >= 0) & (ripe < ends)], under_way
