"""The way of the exhaust gas: temperature, back pressure, and the delay from the valves to the lambda sensor.

In: what burned in each bank, as equivalence ratio (1 / lambda), and the exhaust flow. Out: gas temperature (K), the
pressure behind the turbine or the ports (Pa), and what each wideband sensor feels.
"""

from __future__ import annotations

from math import exp

from livewatch.simulator.conditions import Conditions
from livewatch.simulator.engine_parts import Build
from livewatch.simulator.gas import EXHAUST_GAS_CONSTANT, SEA_LEVEL

__all__ = ["COOLS_BY", "ExhaustPath", "gas_temperature", "transport_delay"]

UNBURNED = 320.0
"""K of gas that did not burn; common practice, no source."""
COOLS_BY = 80.0
"""K lost between the ports and the exhaust behind the turbine; common practice, no source."""
PORT_LAG, BACK_PRESSURE_LAG = 0.35, 0.03
"""s, first-order lags of temperature and pressure; common practice, no source."""
KEPT = 4096
"""Steps of composition kept on the way to the sensor; 40 s."""


def gas_temperature(flow: float, richness: float, below_best: float) -> float:
    """Temperature at the ports in K, from exhaust flow (kg/s), equivalence ratio and ignition below best torque (deg).

    Common practice, no source: some 700 K at idle and 1100 K under full load, 6 K hotter for each degree of retard,
    cooler on either side of stoichiometric; so much fuel that it does not burn leaves as the charge came in.
    """
    away = richness - 1.0
    cooler = 420.0 * away if away > 0.0 else -330.0 * max(away, -0.7)
    return max(UNBURNED, 660.0 + 450.0 * (1.0 - exp(-flow / 0.05)) + 6.0 * min(below_best, 25.0) - cooler)


def transport_delay(speed: float, flow: float, volume: float, pressure: float, temperature: float) -> float:
    """Seconds from the mixture entering the cylinder to its reaching the sensor.

    One and a half turns from mid intake stroke to mid exhaust stroke, then plug flow through `volume` (m³): Guzzella
    and Onder 2010, section 2.4.4.
    """
    return 90.0 / max(speed, 60.0) + volume * pressure / (EXHAUST_GAS_CONSTANT * temperature * max(flow, 3e-4))


class ExhaustPath:
    """Gas between the valves and the sensors.

    Attributes: `temperature` K at the ports; `behind` Pa behind the turbine (or the ports); `at_sensor` equivalence
    ratio passing each sensor; `felt` the same after the sensor's lag; `delay` s.
    """

    def __init__(self, build: Build, outside: float, temperature: float, richness: float) -> None:
        self.banks = build.engine.banks
        self.temperature = temperature
        self.behind = outside
        self.delay = 1.0
        self.at_sensor = [richness] * self.banks
        self.felt = [richness] * self.banks
        self._composition = [[richness] * KEPT for _ in range(self.banks)]
        self._progress = [0.0] * KEPT
        self._at = 0
        self._read = 0
        self.fit(build)

    def fit(self, build: Build) -> None:
        """Take over the parts of `build`."""
        self._volume = build.exhaust.volume_to_sensor_l * 1e-3
        self._lag = build.lambda_sensor.lag_s
        # Square law over density, as for a tube (Guzzella and Onder 2010, eq. 2.13), from 100 g/s at 1000 K.
        self._restriction = build.exhaust.back_pressure_kpa * 1e3 / 0.1**2 / 1000.0

    def step(self, dt: float, now: Conditions, flow: float, richness: list[float], below_best: float) -> None:
        """One step of `dt` s: exhaust `flow` (kg/s), `richness` of each bank, ignition `below_best` torque (deg)."""
        mean = richness[0] if self.banks == 1 else 0.5 * (richness[0] + richness[1])
        hot = gas_temperature(flow, mean, below_best)
        self.temperature += (hot - self.temperature) * dt / (PORT_LAG + dt)
        outside = now.outside
        wanted = outside + self._restriction * flow * flow * (self.temperature - COOLS_BY) * SEA_LEVEL / outside
        self.behind += (wanted - self.behind) * dt / (BACK_PRESSURE_LAG + dt)

        # Plug flow with a changing transit time d: what leaves now entered when the integral of dt / d was 1 less.
        self.delay = delay = transport_delay(
            now.speed, flow / self.banks, self._volume / self.banks, now.before_turbine, self.temperature
        )
        at, progress, kept = self._at, self._progress, KEPT
        before_now = progress[at]
        passed = before_now + dt / delay
        self._at = at = (at + 1) % kept
        progress[at] = passed
        for bank in range(self.banks):
            self._composition[bank][at] = richness[bank]
        read = self._read
        wanted_progress = passed - 1.0
        following = (read + 1) % kept
        while following != at and progress[following] <= wanted_progress:
            read = following
            following = (read + 1) % kept
        if following == at and wanted_progress >= passed:
            read = at
        self._read = read
        gain = dt / (self._lag + dt)
        for bank in range(self.banks):
            passing = self._composition[bank][read]
            self.at_sensor[bank] = passing
            self.felt[bank] += (passing - self.felt[bank]) * gain
