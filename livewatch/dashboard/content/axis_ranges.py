"""How far the axes of the traces reach. A range grows with what is seen and never shrinks: calm comes first."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from livewatch.dashboard.content.related_channels import limits_of
from livewatch.profile.model import Profile

__all__ = ["AxisRanges", "nice_step"]

_USUAL = {
    "engine_speed": (0.0, 6000.0),
    "boost_pressure": (80.0, 200.0),
    "manifold_pressure": (20.0, 200.0),
    "knock_retard": (0.0, 6.0),
    "short_term_fuel_trim_1": (-10.0, 10.0),
    "short_term_fuel_trim_2": (-10.0, 10.0),
    "long_term_fuel_trim_1": (-10.0, 10.0),
    "long_term_fuel_trim_2": (-10.0, 10.0),
    "mass_air_flow": (0.0, 200.0),
    "wastegate_duty": (0.0, 100.0),
    "throttle_position": (0.0, 100.0),
    "accelerator_pedal_position": (0.0, 100.0),
    "ignition_advance": (-10.0, 40.0),
    "exhaust_gas_temperature": (200.0, 1000.0),
}
"""Where an axis starts out, in the channel's unit, whatever has been seen."""
STEPS = 8
_FIXED = {"lambda_1": (0.7, 1.3), "lambda_2": (0.7, 1.3)}
"""Axes that do not grow: lambda means nothing while the fuel is cut, and would flatten the rest."""


class AxisRanges:
    """The range of each channel so far."""

    def __init__(self) -> None:
        self._ranges: dict[str, tuple[float, float]] = {}

    def range_of(self, name: str, profile: Profile, lines: Sequence[NDArray[np.floating]]) -> tuple[float, float]:
        """(low, high) of the axis for channel `name`, in its unit, which also has to hold the values of `lines`."""
        if name in _FIXED:
            return _FIXED[name]
        low, high = self._ranges.get(name, _USUAL.get(name, (math.inf, -math.inf)))
        if name not in self._ranges:
            limits = limits_of(name, profile)
            low, high = min([low, *limits]), max([high, *limits])
        for line in lines:
            known = line[np.isfinite(line)]
            if len(known):
                low, high = min(low, float(known.min())), max(high, float(known.max()))
        if low > high:
            return 0.0, 1.0
        step = nice_step((high - low) / STEPS) if high > low else 1.0
        found = (math.floor(low / step + 1e-9) * step, math.ceil(high / step - 1e-9) * step)
        self._ranges[name] = found
        return found


def nice_step(rough: float) -> float:
    """The 1, 2 or 5 times a power of ten at or above a rough step."""
    if not math.isfinite(rough) or rough <= 0:
        return 1.0
    power = 10.0 ** math.floor(math.log10(rough))
    return next(factor * power for factor in (1.0, 2.0, 5.0, 10.0) if factor * power >= rough * (1 - 1e-9))
