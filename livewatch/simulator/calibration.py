"""What a calibrator writes into an engine computer, worked out from the build sheet it is written for.

In: the parts calibrated for and the intentions (`Targets`). Out: a `Calibration`, the tables and constants of the
engine computer. The calibrator's test bench is the simulator's own physics in the steady state, at sea level and 25
degC; a calibrator is never exact, so each table carries a small smooth error that `seed` fixes.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from math import pi, sqrt

import numpy as np

from livewatch.simulator.air_path import Breathing
from livewatch.simulator.combustion import best_ignition, knock_limit
from livewatch.simulator.engine_parts import Build
from livewatch.simulator.exhaust_path import COOLS_BY, gas_temperature
from livewatch.simulator.gas import (
    AIR_GAMMA,
    AIR_GAS_CONSTANT,
    AIR_HEAT_CAPACITY,
    EXHAUST_GAMMA,
    EXHAUST_HEAT_CAPACITY,
    SEA_LEVEL,
)
from livewatch.simulator.turbocharger import (
    BEARING_DRAG,
    FLAP_SHARE,
    HEAD,
    PHI,
    compressor_efficiency,
    exhaust_pressure,
    turbine_efficiency,
)

__all__ = ["Calibration", "Curve", "Map", "Targets", "calibrate"]

BENCH = 298.15
"""K of the air at the bench."""
BENCH_CHARGE, BENCH_OCTANE, KNOCK_DISTANCE = 318.0, 95.0, 1.2
"""K of the charge and research octane number by which ignition is written, and deg it stays short of knock there;
common practice, no source."""
STEADY_CHARGE, FUEL_OVER_AIR, STEADY_RETARD = 312.0, 1.075, 3.0
"""Of the bench in the steady state: K of the charge, exhaust gas over air, deg below best torque; common practice."""
EFFICIENCY_ERRORS, DUTY_ERRORS = (0.007, 0.006), (0.012, 0.01)
"""Shares by which the calibrator's tables are off, as waves over speed and over pressure; common practice."""
IDLE_MANIFOLD, IDLE_CHARGE = 28e3, 325.0
"""Pa and K in the manifold of the warm engine, by which the idle area is written; common practice."""
METER_RESERVE, METERED_SPEED, LEAST_METERED = 1.35, 6500.0, 0.02
"""Full scale of the meter over the most air, at which rpm that flows, and kg/s it is at least; common practice."""
STOICHIOMETRIC = 14.05
"""kg of air for a kg of fuel, as the calibrator counts; gasoline E10 has 14.01 (Heywood 1988, table D.4, by mass)."""
MOST_DUTY = 0.95
"""Share of duty a solenoid is driven to at most: common practice."""
CHOKED = 0.7071
"""Flow function of a choked opening, as in `gas`; rounded, and kept so: recorded seeds keep their bytes."""
SPEEDS = (600.0, 1000.0, 1500.0, 2000.0, 2500.0, 3000.0, 3500.0, 4000.0, 4500.0, 5000.0, 5500.0, 6000.0, 6500.0, 7200.0)
"""rpm; the others in Pa: absolute in the manifold, and boost above the air outside. Points of the tables."""
PRESSURES = (9e3, 13e3, 20e3, 30e3, 40e3, 55e3, 70e3, 85e3, 100e3, 120e3, 140e3, 165e3, 190e3, 220e3, 250e3)
BOOSTS = (10e3, 30e3, 50e3, 70e3, 90e3, 110e3, 130e3, 150e3)


class Curve:
    """Straight lines through points, held at the ends."""

    def __init__(self, x: Sequence[float], y: Sequence[float]) -> None:
        self.x, self.y = list(x), list(y)

    def __call__(self, value: float) -> float:
        x, y = self.x, self.y
        if value <= x[0]:
            return y[0]
        if value >= x[-1]:
            return y[-1]
        at = bisect_left(x, value, 1)
        return y[at - 1] + (y[at] - y[at - 1]) * (value - x[at - 1]) / (x[at] - x[at - 1])


class Map:
    """Bilinear over (x, y), held at the edges, as engine computers interpolate."""

    def __init__(self, x: Sequence[float], y: Sequence[float], z: Sequence[Sequence[float]]) -> None:
        self.x, self.y, self.z = list(x), list(y), [list(row) for row in z]

    def __call__(self, x: float, y: float) -> float:
        xs, ys = self.x, self.y
        x = xs[0] if x < xs[0] else (xs[-1] if x > xs[-1] else x)
        y = ys[0] if y < ys[0] else (ys[-1] if y > ys[-1] else y)
        i = bisect_left(xs, x, 1)
        j = bisect_left(ys, y, 1)
        along = (x - xs[i - 1]) / (xs[i] - xs[i - 1])
        across = (y - ys[j - 1]) / (ys[j] - ys[j - 1])
        low, high = self.z[i - 1], self.z[i]
        left = low[j - 1] + (low[j] - low[j - 1]) * across
        right = high[j - 1] + (high[j] - high[j - 1]) * across
        return left + (right - left) * along


@dataclass(frozen=True, slots=True)
class Targets:
    """What the calibrator wants of the engine, and the limits of its controllers.

    `boost_kpa` over `boost_rpm` is full-load boost above the air outside; `full_load_lambda` over `lambda_rpm` the
    commanded lambda there; enrichment starts at `enrich_load` (per cent absolute load). `closed_above_lambda`: closed
    loop only where the commanded lambda is at least that (0: always). Limits in per cent.
    """

    full_load_lambda: tuple[float, ...]
    lambda_rpm: tuple[float, ...]
    enrich_load: float
    boost_kpa: tuple[float, ...] = ()
    boost_rpm: tuple[float, ...] = ()
    overboost_kpa: float = 24.0
    closed_above_lambda: float = 0.95
    short_trim_limit: float = 25.0
    long_trim_limit: float = 20.0
    largest_retard: float = 8.0
    narrow_band: bool = False


@dataclass(frozen=True, slots=True)
class Calibration:
    """The engine computer's tables. SI units unless named; `volumetric_efficiency` over rpm and manifold Pa,
    `wastegate_duty` (0..1) over rpm and commanded boost in Pa above the air outside, `ignition` deg over rpm and
    load."""

    targets: Targets
    displacement: float
    cylinders: int
    banks: int
    manifold_volume: float
    pipe_volume: float
    meter_area: float | None
    meter_full_scale: float
    volumetric_efficiency: Map
    wastegate_duty: Map | None
    boost: Curve | None
    full_load_lambda: Curve
    ignition: Map
    injector_flow: float
    dead_time: float
    rail_gauge: float
    volume_to_sensor: float
    sensor_lag: float
    stoichiometric: float
    idle_speed: float
    limiter_speed: float
    throttle_bore_mm: float
    idle_area: float
    """Throttle area in m² that idles the warm engine."""


@lru_cache(maxsize=32)
def calibrate(build: Build, targets: Targets, seed: int) -> Calibration:
    """The calibration for `build`; `seed` fixes the calibrator's small errors."""
    rng = np.random.default_rng(seed)
    engine = build.engine
    breathing = Breathing(engine)
    wave = rng.uniform(0.0, 2.0 * pi, 4).tolist()
    loads = [0.1 * step for step in range(1, 27)]
    ignition = [
        [
            min(
                best_ignition(speed, load),
                knock_limit(speed, load, BENCH_CHARGE, BENCH_OCTANE, richness=1.0) - KNOCK_DISTANCE,
            )
            for load in loads
        ]
        for speed in SPEEDS
    ]
    most = max(_steady(build, breathing, METERED_SPEED, _most_pressure(targets)).air, LEAST_METERED)
    idle_air = breathing.flow(engine.idle_rpm, IDLE_MANIFOLD, IDLE_CHARGE, SEA_LEVEL)[0]
    return Calibration(
        targets=targets,
        displacement=breathing.displacement,
        cylinders=engine.cylinders,
        banks=engine.banks,
        manifold_volume=engine.manifold_volume_l * 1e-3,
        pipe_volume=build.charge_pipes.volume_l * 1e-3,
        meter_area=None if build.air_meter is None else pi / 4.0 * (build.air_meter.bore_mm * 1e-3) ** 2,
        meter_full_scale=METER_RESERVE * most,
        volumetric_efficiency=_efficiency_table(build, breathing, wave[0], wave[1]),
        wastegate_duty=None if build.turbocharger is None else _duty_table(build, breathing, wave[2], wave[3]),
        boost=Curve(targets.boost_rpm, [1e3 * kpa for kpa in targets.boost_kpa]) if targets.boost_rpm else None,
        full_load_lambda=Curve(targets.lambda_rpm, targets.full_load_lambda),
        ignition=Map(SPEEDS, loads, ignition),
        injector_flow=build.injectors.flow_g_s * 1e-3,
        dead_time=build.injectors.dead_time_ms * 1e-3,
        rail_gauge=build.fuel_supply.rail_gauge_kpa * 1e3,
        volume_to_sensor=build.exhaust.volume_to_sensor_l * 1e-3,
        sensor_lag=build.lambda_sensor.lag_s,
        stoichiometric=STOICHIOMETRIC,
        idle_speed=engine.idle_rpm,
        limiter_speed=engine.limiter_rpm,
        throttle_bore_mm=build.throttle.bore_mm,
        idle_area=idle_air * sqrt(AIR_GAS_CONSTANT * BENCH) / (SEA_LEVEL * CHOKED),
    )


def _efficiency_table(build: Build, breathing: Breathing, first: float, second: float) -> Map:
    """Volumetric efficiency as measured, with the calibrator's error in waves of these phases."""
    along, across = EFFICIENCY_ERRORS

    def measured(speed: float, pressure: float) -> float:
        error = along * np.sin(speed / 900.0 + first) + across * np.sin(pressure / 30e3 + second)
        before = _steady(build, breathing, speed, pressure).before
        return breathing.efficiency(speed, pressure, before) * (1.0 + float(error))

    return Map(SPEEDS, PRESSURES, [[measured(speed, pressure) for pressure in PRESSURES] for speed in SPEEDS])


def _duty_table(build: Build, breathing: Breathing, first: float, second: float) -> Map:
    """Solenoid duty that holds each boost, likewise."""
    along, across = DUTY_ERRORS

    def found(speed: float, boost: float) -> float:
        error = along * np.sin(speed / 1100.0 + first) + across * np.sin(boost / 40e3 + second)
        return min(MOST_DUTY, max(0.0, _duty(build, breathing, speed, boost) + float(error)))

    return Map(SPEEDS, BOOSTS, [[found(speed, boost) for boost in BOOSTS] for speed in SPEEDS])


def _most_pressure(targets: Targets) -> float:
    return SEA_LEVEL + 1e3 * (max(targets.boost_kpa) if targets.boost_kpa else 0.0)


@dataclass(frozen=True, slots=True)
class _Point:
    """A steady point of the bench: air kg/s, pressures Pa, wastegate lift 0..1."""

    air: float
    before: float
    behind: float
    lift: float


def _steady(build: Build, breathing: Breathing, speed: float, manifold: float) -> _Point:
    """The bench held at `speed` (rpm) and `manifold` pressure (Pa): below the air outside the turbine just passes what
    comes, above it the wastegate is where the shaft's power balances."""
    before = behind = SEA_LEVEL
    air, lift = 0.0, 0.0
    for _ in range(12):
        air = breathing.flow(speed, manifold, STEADY_CHARGE, before)[0]
        gas = air * FUEL_OVER_AIR
        hot = gas_temperature(gas, 1.0, STEADY_RETARD)
        behind = SEA_LEVEL + build.exhaust.back_pressure_kpa * 1e3 / 10.0 * gas * gas * (hot - COOLS_BY)
        if build.turbocharger is None:
            before = behind
            continue
        turbine = build.turbocharger.turbine_area_cm2 * 1e-4 * build.turbocharger.size**2
        waste = build.turbocharger.wastegate_area_cm2 * 1e-4
        lift = _lift(build, air, gas, hot, behind, manifold) if manifold > SEA_LEVEL else 0.0
        before = exhaust_pressure(gas, turbine + lift * waste, hot, behind)
    return _Point(air, before, behind, lift)


def _lift(build: Build, air: float, gas: float, hot: float, behind: float, boost: float) -> float:
    """Wastegate lift (0..1) at which turbine and compressor power balance with `boost` (Pa) behind the compressor."""
    part = build.turbocharger
    assert part is not None
    radius = part.wheel_mm * 0.5e-3 * part.size
    ratio = boost / (SEA_LEVEL - build.intake.restriction_kpa * 1e3 * (air / 0.1) ** 2)
    low, high = 10.0, 900.0
    for _ in range(40):
        tip = (low + high) / 2.0
        rise = (1.0 + HEAD * 0.5 * tip * tip / (AIR_HEAT_CAPACITY * BENCH)) ** 3.5
        share = ratio / rise
        phi = PHI * sqrt(max(0.0, 1.0 - share * share))
        flow = SEA_LEVEL / (AIR_GAS_CONSTANT * BENCH) * pi * radius * radius * tip * phi
        low, high = (tip, high) if flow < air else (low, tip)
    tip = (low + high) / 2.0
    phi = air / (SEA_LEVEL / (AIR_GAS_CONSTANT * BENCH) * pi * radius * radius * tip)
    heating = BENCH * (ratio ** ((AIR_GAMMA - 1.0) / AIR_GAMMA) - 1.0)
    needed = air * AIR_HEAT_CAPACITY * heating / compressor_efficiency(part.compressor_efficiency, phi, ratio)
    needed += BEARING_DRAG * (tip / radius) ** 2
    turbine = part.turbine_area_cm2 * 1e-4 * part.size**2
    waste = part.wastegate_area_cm2 * 1e-4
    shut, wide = 0.0, 1.0
    for _ in range(30):
        lift = (shut + wide) / 2.0
        area = turbine + lift * waste
        before = exhaust_pressure(gas, area, hot, behind)
        drop = 1.0 - (behind / before) ** ((EXHAUST_GAMMA - 1.0) / EXHAUST_GAMMA)
        spouting = sqrt(max(1.0, 2.0 * EXHAUST_HEAT_CAPACITY * hot * drop))
        power = turbine_efficiency(part.turbine_efficiency, 0.9 * tip / spouting)
        power *= gas * turbine / area * EXHAUST_HEAT_CAPACITY * hot * drop
        shut, wide = (lift, wide) if power > needed else (shut, lift)
    return (shut + wide) / 2.0


def _duty(build: Build, breathing: Breathing, speed: float, boost: float) -> float:
    """Solenoid duty (may fall outside 0..1) that holds `boost` (Pa above the air outside) at full throttle."""
    control = build.boost_control
    assert control is not None
    point = _steady(build, breathing, speed, SEA_LEVEL + boost)
    flap = FLAP_SHARE * (point.before - point.behind) * 1e-3
    can = control.preload_kpa + control.range_kpa * point.lift - flap
    return (1.0 - can / (boost * 1e-3)) / control.solenoid_gain
