"""The few laws of engines that the signature reasons with.

Plain numbers or numpy columns come in, in the units named; g/s, kPa, mm and plain ratios go out. At tick level only
arithmetic and square roots are used, which every machine rounds alike, so that no digit depends on how data was cut.
"""

from __future__ import annotations

from math import pi, sqrt
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "ABSOLUTE_ZERO",
    "STANDARD_PRESSURE",
    "Number",
    "filled_air",
    "gap_share",
    "hole_diameter",
    "hole_flow",
    "leak_share",
    "residual_share",
    "supply_share",
]

Number = TypeVar("Number", float, NDArray[np.float64])

GAS_CONSTANT = 287.05
"""J/(kg K), dry air (ISO 2533)."""
ABSOLUTE_ZERO = -273.15
"""degC (SI)."""
STANDARD_PRESSURE = 101.325
"""kPa, at sea level (ISO 2533)."""
HOLE_DISCHARGE = 0.65
"""Of a sharp-edged round hole (Heywood 1988, appendix C, quotes 0.6 to 0.7)."""
CHOKED = 0.6847
"""Mass flow of a choked nozzle over p A / sqrt(R T) for air (Heywood 1988, appendix C, eq. C.9)."""
NEARLY_EQUAL = 0.96
"""Ratio of pressures above which the flow through a gap goes with the pressure across; no source: it is where the
simulator's flows do, too."""
COMPRESSION_RATIO = 10.0
"""Assumed for the residual gas; 9 or 11 change the air at idle by some 1.5 %."""


def filled_air(displacement: float, speed: Number, pressure: Number, temperature: Number) -> Number:
    """Air flow in g/s of an engine whose cylinders fill completely: speed-density air over volumetric efficiency.

    Heywood 1988, eq. 2.27. `displacement` L, `speed` rpm, `pressure` kPa absolute in the manifold, `temperature` K
    there.
    """
    return displacement * speed / 120.0 * pressure * 1e3 / (GAS_CONSTANT * temperature)


def residual_share(pressure: NDArray[np.float64], exhaust: NDArray[np.float64]) -> NDArray[np.float64]:
    """Share of the cylinder that burned gas leaves to fresh air, over that with both pressures equal.

    Guzzella and Onder 2010, eq. 2.20, with 3/4 for the exponent 1/1.4. Pressures in kPa absolute.
    """
    ratio = exhaust / pressure
    root = np.sqrt(ratio)
    share: NDArray[np.float64] = (COMPRESSION_RATIO - root * np.sqrt(root)) / (COMPRESSION_RATIO - 1.0)
    return share


def leak_share(inside: NDArray[np.float64], outside: NDArray[np.float64]) -> NDArray[np.float64]:
    """Flow through a small hole, inwards positive, over the choked inward flow at 101.325 kPa.

    Guzzella and Onder 2010, eq. 2.12: 1 where the downstream pressure is below half the upstream one, else
    2 sqrt(r (1 - r)) of the ratio r. Pressures in kPa absolute.
    """
    upstream = np.maximum(inside, outside)
    ratio = np.minimum(inside, outside) / upstream
    share = np.where(ratio > 0.5, 2.0 * np.sqrt(np.maximum(ratio * (1.0 - ratio), 0.0)), 1.0)
    signed: NDArray[np.float64] = np.where(inside > outside, -share, share) * upstream / STANDARD_PRESSURE
    return signed


def gap_share(inside: NDArray[np.float64], outside: NDArray[np.float64]) -> NDArray[np.float64]:
    """As `leak_share`, through what is narrow, or opens under pressure: in proportion to the pressure across while that
    is small. Flow through leaks goes with a power of it between 0.5, of holes, and 1, of narrow gaps (ISO 9972, from
    memory)."""
    ratio = np.minimum(inside, outside) / np.maximum(inside, outside)
    small: NDArray[np.float64] = np.sqrt(np.minimum((1.0 - ratio) / (1.0 - NEARLY_EQUAL), 1.0))
    return leak_share(inside, outside) * small


def hole_flow(diameter: float, temperature: float = 293.15) -> float:
    """Choked air flow in g/s through a sharp-edged hole of `diameter` mm from 101.325 kPa and `temperature` K."""
    area = pi / 4.0 * (diameter * 1e-3) ** 2
    return HOLE_DISCHARGE * area * STANDARD_PRESSURE * 1e3 / sqrt(GAS_CONSTANT * temperature) * CHOKED * 1e3


def hole_diameter(flow: float, temperature: float = 293.15) -> float:
    """The hole in mm with that choked flow in g/s: the inverse of `hole_flow`."""
    return sqrt(max(flow, 0.0) / hole_flow(1.0, temperature))


def supply_share(rail: Number, commanded: Number, manifold: Number) -> Number:
    """Pressure across the injectors over that commanded, kPa absolute. Flow goes with its square root (Bernoulli)."""
    return (rail - manifold) / (commanded - manifold)
