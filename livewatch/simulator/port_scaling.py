"""How a diagnostic port numbers the pedal, the throttle and the load of a car.

SAE J1979 leaves to the maker where a position begins and ends: percent of travel or of the sensor's voltage, the
throttle resting near 16 % and wide open at 79 to 90 %, the pedal resting near 15 % and ending at 55 to 100 % (seen in
open recordings of real cars). Calculated load is 100 % at the most air of this speed, with the boost that is usual or
without any. In: true shares 0..1. Out: per cent.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["BY_TRAVEL", "PortScaling"]

Column = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class PortScaling:
    """One car's numbering, in per cent.

    Attributes:
        pedal, throttle: where the position rests and where it ends.
        load_at_full: the calculated load at full pedal, on a day like that of the calibration.
        load_with_boost: whether calculated load counts the boost of full load; else it is full where the manifold has
            the pressure of the air outside.
    """

    pedal: tuple[float, float] = (0.0, 100.0)
    throttle: tuple[float, float] = (0.0, 100.0)
    load_at_full: float = 100.0
    load_with_boost: bool = True

    def of_pedal(self, share: Column, noise: Column) -> Column:
        """`share` 0..1 and `noise` in per cent of travel."""
        return _between(self.pedal, share, noise)

    def of_throttle(self, share: Column, noise: Column) -> Column:
        """`share` 0..1 and `noise` in per cent of travel."""
        return _between(self.throttle, share, noise)


def _between(ends: tuple[float, float], share: Column, noise: Column) -> Column:
    rest, end = ends
    span = (end - rest) / 100.0
    return np.clip(rest + span * (share * 100.0 + noise), 0.0, 100.0)


BY_TRAVEL = PortScaling()
"""Per cent of travel, from 0 to 100."""
