"""The way of the fuel: pump, rail, injectors, the film on the port walls, and the vapour of the tank.

In: how long each bank's injectors are held open, the pressures around them, the supply voltage. Out: fuel into the
cylinders of each bank in kg/s. State: rail pressure (Pa) and the mass of the wall film of each bank (kg).
"""

from __future__ import annotations

from math import sqrt

from livewatch.simulator.conditions import Conditions
from livewatch.simulator.engine_parts import Build
from livewatch.simulator.gas import Fuel

__all__ = ["REFERENCE_FUEL", "REFERENCE_PRESSURE", "FuelPath", "dead_time", "film"]

REFERENCE_FUEL = Fuel(10.0)
"""What injector flows on build sheets are given for."""
REFERENCE_PRESSURE = 300e3
"""Pa across the injector, likewise."""
RAIL_LAG = 0.06
"""s, first-order lag of the rail pressure; common practice, no source."""


def dead_time(at_14_volt: float, voltage: float) -> float:
    """Time from the pulse's start until fuel flows, less the closing time; same unit as given.

    Falls with the supply voltage about as a power of 1.7 (common practice: makers' tables for coil injectors).
    """
    return float(at_14_volt * (14.0 / max(voltage, 6.0)) ** 1.7)


def film(coolant: float) -> tuple[float, float]:
    """Share of the injected fuel that lands on the walls, and the time constant in s of its evaporation, over coolant
    temperature in K.

    The two-parameter film model is Aquino's (SAE 810494; Guzzella and Onder 2010, section 2.4.2); the figures are
    common practice.
    """
    cold = (363.0 - coolant) / 90.0
    cold = 0.0 if cold < 0.0 else (1.0 if cold > 1.0 else cold)
    return 0.12 + 0.25 * cold, 0.22 + 0.9 * cold


class FuelPath:
    """Fuel from the tank to the cylinders.

    Attributes: `rail` Pa absolute; `injected`, `evaporated` from the film, and `into_cylinders` in kg/s, and `film` in
    kg, one entry a bank; `evaporated` and `injected` hold over the step just done.
    """

    def __init__(self, build: Build, fuel: Fuel, outside: float) -> None:
        self.banks = build.engine.banks
        self._each = build.engine.cylinders // build.engine.banks
        self.burn(fuel)
        self.rail = outside + build.fuel_supply.rail_gauge_kpa * 1e3
        self.film = [0.0] * self.banks
        self.injected = [0.0] * self.banks
        self.evaporated = [0.0] * self.banks
        self.into_cylinders = [0.0] * self.banks
        self.fit(build)

    def burn(self, fuel: Fuel) -> None:
        """Take over the fuel. Bernoulli: mass flow through one opening goes with the square root of the density."""
        self._density_factor = sqrt(fuel.density / REFERENCE_FUEL.density)

    def fit(self, build: Build) -> None:
        """Take over the parts of `build`."""
        self._part = build.injectors
        self._supply = build.fuel_supply

    def step(self, dt: float, now: Conditions, pulse: list[float], manifold: float, vapour: float) -> None:
        """One step of `dt` s; `pulse` in s each event and bank, pressure in the `manifold` in Pa, `vapour` from the
        purge valve in kg/s."""
        part, supply = self._part, self._supply
        voltage, outside = now.voltage, now.outside
        across = max(0.0, self.rail - manifold)
        open_flow = part.flow_g_s * 1e-3 * sqrt(across / REFERENCE_PRESSURE) * self._density_factor
        events = now.speed / 120.0
        longest = 1.0 / events if events > 0.1 else 0.0
        dead = dead_time(part.dead_time_ms * 1e-3, voltage)
        share, evaporates_in = film(now.coolant)
        per_time = dt / evaporates_in
        total = 0.0
        for bank in range(self.banks):
            held = min(pulse[bank], longest)
            injectors = self._each - (part.weak_percent * 0.01 if part.weak_bank == bank + 1 else 0.0)
            injected = injectors * events * open_flow * (held - dead) if held > dead else 0.0
            if bank:
                injected *= part.second_bank
            on_walls = (self.film[bank] + dt * share * injected) / (1.0 + per_time)
            evaporated = on_walls * per_time / dt
            self.film[bank] = on_walls
            self.injected[bank] = injected
            self.evaporated[bank] = evaporated
            self.into_cylinders[bank] = (1.0 - share) * injected + evaporated + vapour / self.banks
            total += injected
        # The regulator holds the set pressure while the pump delivers more than the injectors take; beyond that the
        # pressure settles where the pump's falling line meets the demand.
        wanted = outside + supply.rail_gauge_kpa * 1e3
        spare = supply.flow_g_s * (0.25 + 0.75 * voltage / 13.5) - total * 1e3
        if spare < 0.0:
            wanted += spare / supply.slope_g_s_kpa * 1e3
        self.rail += (max(wanted, outside) - self.rail) * dt / (RAIL_LAG + dt)
