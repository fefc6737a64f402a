"""What the engine computer's own sensors say of the physics: lags, offsets, noise and the steps of its converters.

In: true quantities in SI units. Out: the same as sensed, still SI. Sensors inside a control loop live here, step by
step; those that only are reported get their noise in `reporting`, afterwards. All randomness comes from one
generator, so that a seed gives the same readings.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, pi, sqrt

import numpy as np

from livewatch.simulator.air_path import AirPath
from livewatch.simulator.conditions import Conditions
from livewatch.simulator.engine_parts import AirMeter, Build
from livewatch.simulator.gas import SEA_LEVEL

__all__ = ["HotFilm", "Noise", "Sensors", "Tolerances"]

BLOCK = 2048
"""Numbers drawn at once."""
PRESSURE_STEP = 293.0
"""Pa: 10-bit converters over 0 to 300 kPa."""
TEMPERATURE_LAG = 2.5
"""s of an air temperature sensor, twice as quick in the charge: common practice, no source."""
RICHEST, LEANEST = 0.65, 1.99
"""Lambda a wideband sensor can tell: common practice."""
LAMBDA_STEPS, LAMBDA_NOISE, WEAK_NOISE = 1024.0, 0.0016, 0.0002
"""Steps of its converter for each lambda, standard deviation, and more of that for each per cent by which one injector
is weak, whose pulses it sees: common practice, no source."""
NARROW_MIDDLE, NARROW_HALF, NARROW_SLOPE, NARROW_NOISE = 0.45, 0.40, 90.0, 0.006
"""V of a narrow-band sensor at lambda 1, V it goes up and down from there, how steeply over the equivalence ratio, and
standard deviation: common practice, no source."""
FILM_LAG, FULL_SCALE_VOLTS, HIGHEST_VOLTS, VOLTAGE_STEPS = 0.02, 4.9, 5.0, 819.0
"""s, V at full scale on the calibrated tube, V at the most, and 12-bit steps for each V: common practice, no source."""
TURBULENT_FROM = 0.25
"""Share of full scale from which a disturbed profile shows: common practice, no source."""
PULSATES, PULSATES_FROM, PULSATES_AT, PULSATES_AROUND = 0.035, 0.9, 1300.0, 600.0
"""Share that pulsating flow reads high at the most, manifold over outside pressure from which it comes, and rpm at
which and around which: common practice (up to some 4 %)."""
MANIFOLD_NOISE, BOOST_NOISE, RAIL_NOISE = 0.5, 0.6, 600.0
"""Standard deviations: converter steps, converter steps, Pa. Common practice, no source."""
SPEED_NOISE, SLOWEST_SPEED = 0.0006, 30.0
"""Standard deviation as a share, and rpm below which the sensor gives nothing: common practice, no source."""
CHARGING, RESTING, CHARGES_FROM, VOLTAGE_LAG, VOLTAGE_NOISE = 13.9, 12.3, 400.0, 0.8, 0.006
"""V with the alternator and without, rpm from which it charges, s of lag, V of noise: common practice, no source."""


class Noise:
    """Standard normal numbers, drawn in blocks: `rows` independent streams, one number of each a step."""

    def __init__(self, generator: np.random.Generator, rows: int) -> None:
        self._generator = generator
        self._rows = rows
        self._at = BLOCK
        self.values: list[list[float]] = []

    def next(self) -> list[float]:
        """The numbers of this step, one a stream."""
        if self._at == BLOCK:
            self.values = self._generator.standard_normal((BLOCK, self._rows)).tolist()
            self._at = 0
        self._at += 1
        return self.values[self._at - 1]


@dataclass(frozen=True)
class Tolerances:
    """How far the parts of this one car are from their drawings. Plain factors but for `manifold_offset` in Pa,
    `sensor_percent`, and `wastegate` in kPa."""

    meter: float
    injectors: float
    breathing: float
    manifold_offset: float
    sensor_percent: float
    meter_bend: float
    second_bank: float
    solenoid: float
    wastegate: float

    @classmethod
    def drawn(cls, generator: np.random.Generator, ageing: float) -> Tolerances:
        """Those of one car, drawn once and scaled by `ageing` (0 none, 1 ordinary); the standard deviations stand
        before the draws, all within what a maker accepts (common practice, no source)."""
        draw = (np.clip(generator.standard_normal(9), -1.8, 1.8) * ageing).tolist()
        return cls(
            meter=1.0 + 0.012 * draw[0],
            injectors=1.0 + 0.015 * draw[1],
            breathing=1.0 + 0.012 * draw[2],
            manifold_offset=300.0 * draw[3],
            sensor_percent=0.3 * draw[4],
            meter_bend=0.008 * draw[7],
            second_bank=1.0 + 0.010 * draw[8],
            solenoid=1.0 + 0.02 * draw[5],
            wastegate=1.2 * draw[6],
        )


class HotFilm:
    """A hot-film air meter and the transfer curve the engine computer reads it with.

    The film's voltage follows King's law (King 1914): V² = a + b sqrt(mass velocity). The mass velocity is the flow
    over the area of the tube that is fitted, bent by the velocity profile; the computer turns the voltage back into
    a flow with the area calibrated for. Reading low on a larger bore is nothing but that. 12-bit converter, 0 to 5
    V.
    """

    STILL = 1.0
    """V² at no flow."""

    def __init__(self, calibrated_area: float, full_scale: float, tolerance: float, bend: float) -> None:
        self._calibrated_area = calibrated_area
        self._span = (FULL_SCALE_VOLTS**2 - self.STILL) / sqrt(full_scale / calibrated_area)
        self._gain = tolerance
        self._bend = bend
        self.full_scale = full_scale
        self.flow = 0.0
        self._lag = 0.0

    def fit(self, part: AirMeter) -> None:
        """Put the film into the tube of `part`."""
        self._part = part
        self._area = pi / 4.0 * (part.bore_mm * 1e-3) ** 2

    def settle(self, flow: float) -> None:
        """Begin with the film used to `flow` (kg/s)."""
        self._lag = flow

    def read(self, dt: float, flow: float, pulsation: float, noise: float) -> float:
        """Flow in kg/s as the computer reads it. `pulsation` is the share by which pulsating flow reads high."""
        self._lag += (flow - self._lag) * dt / (FILM_LAG + dt)
        part = self._part
        # No film follows its curve exactly: a tolerance of scale, and one that grows with the flow.
        bent = 1.0 + self._bend * (4.0 * self._lag / self.full_scale - 1.0)
        velocity = abs(self._lag) / self._area * self._gain * bent * (1.0 + pulsation)
        if part.shape_percent:
            # A bend or step in front skews the profile once the flow is turbulent and fast; slow flow fills the tube.
            fast = self._lag / (TURBULENT_FROM * self.full_scale)
            velocity *= 1.0 + 0.01 * part.shape_percent * fast * fast / (1.0 + fast * fast)
        velocity *= 1.0 + 0.01 * part.turbulence_percent * noise
        voltage = sqrt(self.STILL + self._span * sqrt(max(velocity, 0.0)))
        voltage = min(HIGHEST_VOLTS, round(voltage * VOLTAGE_STEPS) / VOLTAGE_STEPS)
        root = (voltage * voltage - self.STILL) / self._span
        self.flow = root * root * self._calibrated_area
        return self.flow


class Sensors:
    """Everything the engine computer senses, in SI units; attributes hold the latest readings.

    `lambda_ratio` one a bank, 0.65 to 1.99; `voltage` V; `narrow` V, one a bank; temperatures K; pressures Pa.
    """

    def __init__(
        self,
        generator: np.random.Generator,
        tolerances: Tolerances,
        meter: HotFilm | None,
        banks: int,
        narrow_band: bool,
    ) -> None:
        self._narrow_band = narrow_band
        self._noise = Noise(generator, 8)
        self._tolerances = tolerances
        self._meter = meter
        self.air_flow = 0.0
        self.boost = self.manifold = self.outside = SEA_LEVEL
        self.charge = self.coolant = self.inlet = 293.0
        self.rail = 0.0
        self.speed = 0.0
        self.voltage = 12.4
        self.lambda_ratio = [LEANEST] * banks
        self.narrow = [0.1] * banks
        self.shift_percent = 0.0
        self.weak = [0.0] * banks

    def settle(self, now: Conditions, flow: float, charge: float) -> None:
        """Begin with readings used to `now`, an air `flow` (kg/s) and a temperature of the `charge` (K)."""
        if self._meter is not None:
            self._meter.settle(flow)
        self.inlet, self.charge, self.coolant = now.inlet, charge, now.coolant
        self.voltage, self.outside = now.voltage, now.outside

    def fit(self, build: Build) -> None:
        """Take over the parts of `build`."""
        if self._meter is not None and build.air_meter is not None:
            self._meter.fit(build.air_meter)
        part = build.injectors
        self.weak = [part.weak_percent if part.weak_bank == bank + 1 else 0.0 for bank in range(len(self.weak))]

    def read(self, dt: float, now: Conditions, air: AirPath, rail: float, felt: list[float]) -> None:
        """One step. `rail` is the pressure of the fuel in Pa, `felt` the equivalence ratio at each lambda sensor's cell
        after its lag."""
        noise = self._noise.next()
        manifold, outside, speed = air.manifold_pressure, now.outside, now.speed
        if self._meter is not None:
            # Reverse flow near full load at low speed makes a film read high.
            unsteady = manifold / outside if manifold < outside else 1.0
            near = exp(-(((speed - PULSATES_AT) / PULSATES_AROUND) ** 2))
            pulsation = PULSATES * max(0.0, unsteady - PULSATES_FROM) * 10.0 * near
            self.air_flow = self._meter.read(dt, air.metered, pulsation, noise[0])
        # A little of the intake pulses is left after the filter.
        offset = self._tolerances.manifold_offset
        self.manifold = round((manifold + offset) / PRESSURE_STEP + MANIFOLD_NOISE * noise[1]) * PRESSURE_STEP
        self.boost = round(air.pipe_pressure / PRESSURE_STEP + BOOST_NOISE * noise[2]) * PRESSURE_STEP
        self.outside = outside
        slow = dt / TEMPERATURE_LAG
        self.inlet += (now.inlet - self.inlet) * slow
        self.charge += (air.manifold_temperature - self.charge) * slow * 2.0
        self.coolant = now.coolant
        self.rail = rail + RAIL_NOISE * noise[3]
        self.speed = max(0.0, speed * (1.0 + SPEED_NOISE * noise[4])) if speed > SLOWEST_SPEED else 0.0
        supply = CHARGING if speed > CHARGES_FROM else RESTING
        self.voltage += supply * dt / VOLTAGE_LAG - self.voltage * dt / VOLTAGE_LAG + VOLTAGE_NOISE * noise[5]
        factor = 1.0 + 0.01 * (self.shift_percent + self._tolerances.sensor_percent)
        for bank, richness in enumerate(felt):
            true = 1.0 / richness if richness > 0.5 else 2.0
            reading = true * factor + (LAMBDA_NOISE + WEAK_NOISE * self.weak[bank]) * noise[6 + bank]
            self.lambda_ratio[bank] = min(LEANEST, max(RICHEST, round(reading * LAMBDA_STEPS) / LAMBDA_STEPS))
            if self._narrow_band:
                away = (richness - 1.0) * NARROW_SLOPE
                noisy = NARROW_NOISE * noise[6 + bank]
                self.narrow[bank] = NARROW_MIDDLE + NARROW_HALF * away / (1.0 + abs(away)) + noisy
