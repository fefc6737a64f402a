"""Properties of air, exhaust gas and fuel, and the flow through a hole.

In: pressures in Pa, temperatures in K, areas in m². Out: kg/s, Pa, kg/m³ and plain ratios. Everything here is a pure
function; nothing knows the engine. The simulator's constants are its own, and not those of `data.physics`: a car that
the signature is tried on must not share its mistakes.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, sqrt

__all__ = [
    "AIR_GAMMA",
    "AIR_GAS_CONSTANT",
    "AIR_HEAT_CAPACITY",
    "EXHAUST_GAMMA",
    "EXHAUST_GAS_CONSTANT",
    "EXHAUST_HEAT_CAPACITY",
    "ICE_POINT",
    "SEA_LEVEL",
    "Fuel",
    "dry_air_fraction",
    "flow_through_hole",
    "standard_pressure",
]

SEA_LEVEL = 101325.0
"""Pa (ISO 2533)."""
ICE_POINT = 273.15
"""K at 0 degC (SI)."""
AIR_GAS_CONSTANT = 287.05
"""J/(kg K), dry air (ISO 2533)."""
AIR_GAMMA = 1.4
"""Ratio of specific heats (ISO 2533)."""
AIR_HEAT_CAPACITY = 1005.0
"""J/(kg K) at constant pressure, near 300 K (handbook value, from memory)."""
EXHAUST_GAS_CONSTANT = 290.0
"""J/(kg K), burned gasoline and air near stoichiometric (Heywood 1988, section 4.9)."""
EXHAUST_GAMMA = 1.33
"""Ratio of specific heats, burned gas (Heywood 1988, section 4.9)."""
EXHAUST_HEAT_CAPACITY = EXHAUST_GAS_CONSTANT * EXHAUST_GAMMA / (EXHAUST_GAMMA - 1.0)
"""J/(kg K) at constant pressure."""

_NEARLY_EQUAL = 0.96
"""Above this ratio of pressures the flow is taken as linear in the ratio, so that its slope stays finite."""


def flow_through_hole(
    effective_area: float, upstream: float, temperature: float, downstream: float
) -> tuple[float, float, float]:
    """Mass flow in kg/s through `effective_area` (m², discharge coefficient included), with its slopes.

    Compressible nozzle flow (Heywood 1988, appendix C) in the approximation of Guzzella and Onder 2010, eq. 2.12:
    p / sqrt(R T) * A * psi, psi = 1/sqrt(2) when choked (ratio below 1/2), else sqrt(2 r (1 - r)). Negative when
    `downstream` is the higher pressure; `temperature` (K) is that of the upstream side and taken for both.

    Returns:
        flow, d flow / d upstream, d flow / d downstream (the last is never positive).
    """
    if downstream > upstream:
        flow, by_up, by_down = flow_through_hole(effective_area, downstream, temperature, upstream)
        return -flow, -by_down, -by_up
    per_pressure = effective_area / sqrt(AIR_GAS_CONSTANT * temperature)
    ratio = downstream / upstream
    if ratio < 0.5:
        slope = per_pressure * 0.70710678
        return slope * upstream, slope, 0.0
    if ratio < _NEARLY_EQUAL:
        psi = sqrt(2.0 * ratio * (1.0 - ratio))
        by_ratio = (1.0 - 2.0 * ratio) / psi
    else:
        by_ratio = -sqrt(2.0 * _NEARLY_EQUAL / (1.0 - _NEARLY_EQUAL))
        psi = -by_ratio * (1.0 - ratio)
    return per_pressure * upstream * psi, per_pressure * (psi - ratio * by_ratio), per_pressure * by_ratio


def standard_pressure(altitude: float) -> float:
    """Pressure of the standard atmosphere in Pa at `altitude` (m, up to 11,000): ISO 2533:1975."""
    return float(SEA_LEVEL * (1.0 - 0.0065 * altitude / 288.15) ** (9.80665 / (0.0065 * 287.05287)))


def dry_air_fraction(pressure: float, temperature: float, relative_humidity: float) -> float:
    """Mass of dry air over mass of moist air, from Pa, K and 0..1.

    Saturation pressure: Magnus formula with the constants of Alduchov and Eskridge 1996.
    """
    celsius = temperature - ICE_POINT
    vapour = relative_humidity * 610.94 * exp(17.625 * celsius / (celsius + 243.04))
    humidity = 0.622 * vapour / (pressure - vapour)
    return 1.0 / (1.0 + humidity)


@dataclass(frozen=True, slots=True)
class Fuel:
    """Gasoline with `ethanol_percent` of ethanol by volume.

    Densities 0.745 and 0.789 kg/L (common practice, no source); stoichiometric ratios and heating values of the two
    from Heywood 1988, table D.4 (gasoline CH1.87 14.6, 44.0 MJ/kg; ethanol 9.00, 26.9 MJ/kg), mixed by mass.
    """

    ethanol_percent: float

    @property
    def ethanol_mass_fraction(self) -> float:
        volume = self.ethanol_percent / 100.0
        return volume * 0.789 / self.density

    @property
    def density(self) -> float:
        """kg/L."""
        volume = self.ethanol_percent / 100.0
        return volume * 0.789 + (1.0 - volume) * 0.745

    @property
    def stoichiometric(self) -> float:
        """Mass of air over mass of fuel for lambda 1."""
        return 14.6 + (9.00 - 14.6) * self.ethanol_mass_fraction

    @property
    def heating_value(self) -> float:
        """J/kg."""
        return 44.0e6 + (26.9e6 - 44.0e6) * self.ethanol_mass_fraction

    @property
    def octane(self) -> float:
        """Research octane number: 95 at 10 % ethanol, about 105 at 85 % (common practice, no source)."""
        return 93.7 + 0.133 * self.ethanol_percent
