"""What the numbers of a build sheet mean for an engine: plain numbers in the units named come in, plain numbers go out.

`need` is what the base calibration has to be multiplied by, as everywhere in the signature: above 1 the engine would
run lean without correction, below 1 rich.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf, sqrt

from livewatch.build_sheet.parts import FuelInTank
from livewatch.data.physics import ABSOLUTE_ZERO, STANDARD_PRESSURE
from livewatch.profile.fuels import (
    ETHANOL_DENSITY,
    FUELS,
    GASOLINE_DENSITY,
    blend_density,
    blend_share,
    ethanol_blend_ratio,
)

__all__ = [
    "FuelFacts",
    "boost_at_calibrated_duty",
    "charge_temperature",
    "dead_time_need",
    "flow_at",
    "fuel_facts",
    "fuel_need",
    "metering_need",
    "pipe_loss_ratio",
    "pressure_across",
    "reading_error",
]

COMPRESSOR_EFFICIENCY = 0.72
"""Isentropic, of a road turbocharger at full load; common practice, no source."""
LIQUID_DENSITY = {"gasoline": GASOLINE_DENSITY, "ethanol": ETHANOL_DENSITY, "methanol": 0.791, "isooctane": 0.692,
                  "toluene": 0.867}  # fmt: skip
"""kg/L at 20 degC (handbook values, from memory). Fuels that are gases are not in here."""


@dataclass(frozen=True, slots=True)
class FuelFacts:
    """`ratio`: kg of air for a kg of fuel, stoichiometric. `density` in kg/L, None for a gas."""

    ratio: float
    density: float | None


def metering_need(calibrated: float, fitted: float) -> float:
    """Need where the bore at the air meter (mm) is another: the meter feels velocity, and the calibration turns it into
    flow with the area of its own bore (common practice). 66 to 70 mm: (70/66)² = 1.1249."""
    return (fitted / calibrated) ** 2


def reading_error(need: float) -> float:
    """What the meter then reads too much, as a share of the true flow: need 1.1249 is 0.111 too little (negative)."""
    return 1.0 / need - 1.0


def flow_at(flow: float, at: float, pressure: float) -> float:
    """Flow of an injector with `pressure` across it that has `flow` with `at`: Bernoulli, Q2 = Q1 sqrt(p2 / p1).
    300 to 400 kPa: 1.1547."""
    return flow * sqrt(pressure / at)


def pressure_across(set_pressure: float, referenced_to: str, manifold: float) -> float:
    """kPa across the injectors: a regulator referenced to the manifold holds its set pressure there, one referenced to
    the atmosphere gives some of it up to the pressure in the manifold (kPa absolute)."""
    return set_pressure if referenced_to == "manifold" else set_pressure + STANDARD_PRESSURE - manifold


def dead_time_need(error: float, open_time: float) -> float:
    """Need where injectors open `error` ms later than calibrated, with `open_time` ms of fuel flowing: the pulse has to
    be that much longer. Largest at idle, where pulses are short."""
    return 1.0 + error / open_time


def fuel_facts(fuel: FuelInTank) -> FuelFacts | None:
    """Air-fuel ratio (Heywood 1988, table D.4; blends by mass) and density; None for a fuel known by identity only."""
    if fuel.ethanol is not None:
        return _blend(fuel.ethanol.value / 100.0)
    if fuel.name is None:
        return None
    if fuel.name in FUELS:
        return FuelFacts(FUELS[fuel.name], LIQUID_DENSITY.get(fuel.name))
    share = blend_share(fuel.name)
    return None if share is None else _blend(share)


def _blend(share: float) -> FuelFacts:
    return FuelFacts(ethanol_blend_ratio(share), blend_density(share))


def fuel_need(calibrated: FuelFacts, fitted: FuelFacts) -> float | None:
    """Need of another liquid fuel through the same injectors: the stoichiometric ratios, and mass flow through one
    opening growing with the square root of the density (Bernoulli). None where one of them is a gas."""
    if calibrated.density is None or fitted.density is None:
        return None
    return calibrated.ratio / fitted.ratio * sqrt(calibrated.density / fitted.density)


def boost_at_calibrated_duty(
    target: float | None, preload: tuple[float, float], bleed: tuple[float, float] | None
) -> float | None:
    """Boost over the boost commanded, before the controller corrects, at the duty that the calibration expects to need.

    The actuator feels boost * (1 - bleed * duty) and begins to open at its preload, so boost = preload / (1 - bleed *
    duty). `target` is kPa commanded above the air outside; `preload` (kPa) and `bleed` (shares) are (calibrated,
    fitted); `bleed` None where the solenoid is the one calibrated for. Infinite where the wastegate would stay shut.
    None without a target where one is needed. Common practice, no source: exhaust pressure on the flap left out.
    """
    if bleed is None or bleed[0] == bleed[1]:
        return preload[1] / preload[0]
    if target is None or target <= preload[0]:
        return None
    taken = bleed[1] / bleed[0] * (1.0 - preload[0] / target)
    return inf if taken >= 1.0 else preload[1] / (1.0 - taken) / target


def pipe_loss_ratio(calibrated: float, fitted: float) -> float:
    """Pressure lost along a pipe of bore `fitted` over that of `calibrated` (mm), at the same flow and friction factor:
    Darcy and Weisbach, with the fifth power of the bore."""
    return (calibrated / fitted) ** 5


def charge_temperature(outside: float, pressure: float, effectiveness: float) -> float:
    """degC behind an intercooler: air of `outside` degC compressed from sea level to `pressure` kPa absolute, cooled
    back by the share `effectiveness`. Heywood 1988, section 6.8.2 (isentropic efficiency, here 0.72)."""
    heated = float((pressure / STANDARD_PRESSURE) ** (0.4 / 1.4))
    rise = (outside - ABSOLUTE_ZERO) * (heated - 1.0) / COMPRESSOR_EFFICIENCY
    return outside + rise * (1.0 - effectiveness)
