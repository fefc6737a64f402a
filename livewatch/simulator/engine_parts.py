"""The parts of a car's engine, and the build sheet that lists them.

A `Build` says which parts sit on an engine. The simulator takes two of them: the parts fitted, which the physics works
with, and the parts calibrated for, from which the engine computer's tables are made. Everything a mismatch changes is
a number in here. Units are in the names of the fields; pressures ending in `_gauge_kpa` count from the air outside.
"""

from __future__ import annotations

from dataclasses import dataclass, field

__all__ = [
    "AirMeter",
    "BoostControl",
    "Build",
    "ChargePipes",
    "EngineBlock",
    "ExhaustSystem",
    "FuelSupply",
    "InjectorSet",
    "IntakeTube",
    "LambdaSensor",
    "Leaks",
    "Throttle",
    "TurboUnit",
]


@dataclass(frozen=True, slots=True)
class EngineBlock:
    """The engine itself; never changed by a mismatch.

    `breathing_peak` is the volumetric efficiency over the manifold at `breathing_peak_rpm` with manifold and exhaust
    at one pressure; `breathing_fall` how much of it is lost one `breathing_peak_rpm` away from the peak;
    `breathing_waves` the height of the tuning waves over it.
    """

    displacement_l: float
    cylinders: int
    banks: int
    compression_ratio: float
    breathing_peak: float
    breathing_peak_rpm: float
    breathing_fall: float
    breathing_waves: float
    inertia_kgm2: float
    idle_rpm: float
    limiter_rpm: float
    manifold_volume_l: float


@dataclass(frozen=True, slots=True)
class IntakeTube:
    """Air filter and tube: pressure lost at 100 g/s at sea level."""

    restriction_kpa: float


@dataclass(frozen=True, slots=True)
class AirMeter:
    """A hot-film meter in its tube. It feels the velocity at one point; the tube's bore makes it a flow.

    `shape_percent` is the reading error the velocity profile of the tube in front adds at a high flow, in per cent of
    the reading (it fades towards low flow); `turbulence_percent` the noise of the reading at steady flow.
    """

    bore_mm: float
    shape_percent: float = 0.0
    turbulence_percent: float = 0.6


@dataclass(frozen=True, slots=True)
class Throttle:
    bore_mm: float


@dataclass(frozen=True, slots=True)
class ChargePipes:
    """Between compressor and throttle."""

    volume_l: float
    intercooler_effectiveness: float


@dataclass(frozen=True, slots=True)
class TurboUnit:
    """`size` scales both wheels and the housings: flow capacity with its square, inertia with its fifth power."""

    wheel_mm: float
    turbine_area_cm2: float
    wastegate_area_cm2: float
    inertia_kgm2: float
    compressor_efficiency: float = 0.75
    turbine_efficiency: float = 0.70
    size: float = 1.0


@dataclass(frozen=True, slots=True)
class BoostControl:
    """Solenoid and wastegate actuator: the solenoid bleeds `solenoid_gain` * duty of the pressure before the
    actuator; the actuator starts to open at `preload_kpa` and is open `range_kpa` above it."""

    solenoid_gain: float
    preload_kpa: float
    range_kpa: float


@dataclass(frozen=True, slots=True)
class InjectorSet:
    """`flow_g_s` of one injector held open at 300 kPa across it; `dead_time_ms` at 14 V. `weak_bank` (1 or 2, 0 for
    none) has one injector flowing `weak_percent` less than the others; `second_bank` is the second bank's flow over the
    first's."""

    flow_g_s: float
    dead_time_ms: float
    weak_bank: int = 0
    weak_percent: float = 0.0
    second_bank: float = 1.0


@dataclass(frozen=True, slots=True)
class FuelSupply:
    """Pump and regulator. `flow_g_s` is what the pump delivers at the set pressure and 13.5 V; `slope_g_s_kpa` how
    much less at each kPa more."""

    rail_gauge_kpa: float
    flow_g_s: float
    slope_g_s_kpa: float


@dataclass(frozen=True, slots=True)
class ExhaustSystem:
    """`back_pressure_kpa` at 100 g/s of gas at 1000 K behind the turbine (or the ports); `volume_to_sensor_l` from the
    valves to the lambda sensor."""

    back_pressure_kpa: float
    volume_to_sensor_l: float


@dataclass(frozen=True, slots=True)
class LambdaSensor:
    """Wideband sensor before the catalyst. `lag_s` is its first-order time constant; `shift_percent` the error of its
    reading at lambda 1."""

    lag_s: float
    shift_percent: float = 0.0


@dataclass(frozen=True, slots=True)
class Leaks:
    """Holes, as diameters of a round sharp-edged hole; 0 is tight."""

    manifold_mm: float = 0.0
    pressure_side_mm: float = 0.0


@dataclass(frozen=True, slots=True)
class Build:
    """A build sheet: every part of one engine. `air_meter` None means speed-density; `turbocharger` None means
    naturally aspirated (then `boost_control` is None and the charge pipes are the tube to the throttle)."""

    engine: EngineBlock
    intake: IntakeTube
    air_meter: AirMeter | None
    charge_pipes: ChargePipes
    throttle: Throttle
    turbocharger: TurboUnit | None
    boost_control: BoostControl | None
    injectors: InjectorSet
    fuel_supply: FuelSupply
    exhaust: ExhaustSystem
    lambda_sensor: LambdaSensor
    leaks: Leaks = field(default_factory=Leaks)
