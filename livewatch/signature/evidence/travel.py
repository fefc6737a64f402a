"""How far a pedal or a throttle is open, as a share of its own range: learnt from the drive, no fixed percentage.

On the diagnostic port a real pedal rests near 15 % and may end at 55 %. Columns of looks come in, in a row; the share
of the way from rest to end goes out, 0 at rest and 1 at the end. Where the profile says neither, rest is the lowest
value so far, and the end the highest value so far at which something else said that the throttle was wide open. Until
then it is taken to end at 100 %.
"""

from __future__ import annotations

from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from livewatch.data.physics import STANDARD_PRESSURE
from livewatch.profile.model import UNTHROTTLED_BOOSTED, Engine

__all__ = ["Travel"]

Column = NDArray[np.float64]

RESTS_BELOW = 25.0
"""Per cent: no pedal or throttle rests higher, so a recording that begins in the middle of a drive is not misread;
common practice."""
LEAST = 30.0
"""Per cent between rest and end at the least; common practice."""
FULL_LOAD = 97.0
"""Per cent of calculated load (SAE J1979), which is 100 % with the throttle wide open; on some cars less."""
RUNNING = 1200.0
"""rpm from which manifold pressure tells of the throttle: an engine that stands has it at that of the air outside."""


class _Columns(Protocol):
    def __getitem__(self, name: str) -> Column: ...


class Travel:
    """Args:
    name: the channel. `engine`: as the profile has it.
    """

    def __init__(self, name: str, engine: Engine | None) -> None:
        self.name = name
        self._open = UNTHROTTLED_BOOSTED if engine is None else engine.unthrottled
        self._known = None if engine is None else engine.travel.get(name)
        self._rest, self._end, self._load = RESTS_BELOW, -np.inf, np.nan

    def observe(self, value: _Columns) -> Column:
        """The share of the way at each look; NaN where unknown."""
        column = value[self.name]
        if self._known is not None:
            low, high = self._known
            known: Column = (column - low) / (high - low)
            return known
        load, pressure, outside = value["engine_load"], value["manifold_pressure"], value["barometric_pressure"]
        outside = np.where(np.isnan(outside), STANDARD_PRESSURE, outside)
        with np.errstate(invalid="ignore"):
            highest = np.fmax.accumulate(np.concatenate(([self._load], load)))[1:]
            # Where load never told so, boost does; a throttle that lets all air through need not be at its end.
            told = (highest > FULL_LOAD) | (~np.isnan(load) & (self._open < UNTHROTTLED_BOOSTED))
            wide = np.where(told, load > FULL_LOAD, pressure > self._open * outside)
            wide &= value["engine_speed"] > RUNNING
        rest = np.fmin.accumulate(np.concatenate(([self._rest], column)))[1:]
        end = np.fmax.accumulate(np.concatenate(([self._end], np.where(wide, column, np.nan))))[1:]
        if len(column):
            self._rest, self._end, self._load = float(rest[-1]), float(end[-1]), float(highest[-1])
        last = np.where(end > rest + LEAST, end, 100.0)
        share: Column = (column - rest) / (last - rest)
        return share
