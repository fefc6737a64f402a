"""The stoichiometric air-fuel ratio of a fuel by name.

Pure fuels from Heywood, Internal Combustion Engine Fundamentals, 1988, table D.4. A blend "gasoline E<n>" holds n %
of ethanol by volume; its ratio follows by mass, with 0.745 kg/L for gasoline and 0.789 kg/L for ethanol (handbook
values at 20 degC, from memory).
"""

from __future__ import annotations

import re
from collections.abc import Mapping

from livewatch.errors import nearest

__all__ = [
    "ETHANOL_DENSITY", "FUELS", "GASOLINE_DENSITY", "blend_density", "blend_share", "ethanol_blend_ratio",
    "stoichiometric_ratio",
]  # fmt: skip

FUELS: Mapping[str, float] = {
    "gasoline": 14.6,
    "isooctane": 15.13,
    "ethanol": 9.00,
    "methanol": 6.47,
    "toluene": 13.5,
    "methane": 17.23,
    "propane": 15.68,
}
"""Kilograms of air for a kilogram of fuel."""

GASOLINE_DENSITY = 0.745
ETHANOL_DENSITY = 0.789
"""kg/L at 20 degC."""
_BLEND = re.compile(r"(?:gasoline )?E(\d{1,3})\Z")


def stoichiometric_ratio(fuel: str) -> float:
    """Kilograms of air for a kilogram of `fuel`: "gasoline E10", "E85", "methanol", ...

    Raises:
        ValueError: the fuel is unknown.
    """
    if fuel in FUELS:
        return FUELS[fuel]
    share = blend_share(fuel)
    if share is not None:
        return ethanol_blend_ratio(share)
    known = ["gasoline E10", "gasoline E85", *FUELS]
    raise ValueError(f"unknown fuel {fuel!r}{nearest(fuel, known)}: expected gasoline E<percent>, {', '.join(FUELS)}")


def blend_share(fuel: str) -> float | None:
    """Share of ethanol by volume (0..1) in a blend named `gasoline E10` or `E10`; None for any other name."""
    blend = _BLEND.match(fuel)
    return int(blend[1]) / 100 if blend and int(blend[1]) <= 100 else None


def ethanol_blend_ratio(volume_share: float) -> float:
    """Kilograms of air for a kilogram of gasoline with `volume_share` (0..1) of ethanol."""
    ethanol = volume_share * ETHANOL_DENSITY
    gasoline = (1 - volume_share) * GASOLINE_DENSITY
    return (ethanol * FUELS["ethanol"] + gasoline * FUELS["gasoline"]) / (ethanol + gasoline)


def blend_density(volume_share: float) -> float:
    """kg/L of gasoline with `volume_share` (0..1) of ethanol at 20 degC."""
    return volume_share * ETHANOL_DENSITY + (1.0 - volume_share) * GASOLINE_DENSITY
