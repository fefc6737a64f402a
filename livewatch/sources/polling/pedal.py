"""Whether the pedal is down, from the answers of a poll as they come.

Parameters of service 01 come in, whether the driver's foot is down comes out. Where a pedal rests and ends is each
maker's own (SAE J1979 leaves it open), so both ends are learned from what was seen, with half of the scale between
them at the least. Only the order of the polling hangs on it, no channel and no verdict.
"""

from __future__ import annotations

__all__ = ["PedalWatch"]

PEDALS = (0x49, 0x5A, 0x11)
"""Pedal position, relative pedal position, throttle position: the first that is answered is followed."""
LEAST_TRAVEL = 50.0
"""Per cent of the scale."""
DOWN, UP = 0.85, 0.70
"""Shares of the travel from which the foot is down, and below which it has come up; common practice."""


class PedalWatch:
    """`down` is whether the foot is down now."""

    def __init__(self) -> None:
        self.down = False
        self._followed = len(PEDALS)
        self._rest, self._end = 100.0, 0.0

    def observe(self, parameter: int, data: bytes) -> None:
        """Take an answer's parameter of service 01."""
        if parameter not in PEDALS[: self._followed + 1] or not data:
            return
        place = PEDALS.index(parameter)
        if place != self._followed:
            self._followed, self._rest, self._end = place, 100.0, 0.0
        position = data[0] * 100 / 255
        self._rest, self._end = min(self._rest, position), max(self._end, position)
        travel = max(self._end - self._rest, LEAST_TRAVEL)
        self.down = position - self._rest > (UP if self.down else DOWN) * travel
