"""The invented cars of one invented workshop: engines, their parts as built, bodies, and what their calibrators wanted.

Every number is made up to be plausible for its kind of engine. `CARS` has them by name.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from livewatch.simulator.calibration import Targets
from livewatch.simulator.engine_parts import (
    AirMeter,
    BoostControl,
    Build,
    ChargePipes,
    EngineBlock,
    ExhaustSystem,
    FuelSupply,
    InjectorSet,
    IntakeTube,
    LambdaSensor,
    Throttle,
    TurboUnit,
)

__all__ = ["CARS", "Body", "Car"]


@dataclass(frozen=True, slots=True)
class Body:
    """What the engine has to move. `gears` are ratios times the final drive; drag area in m²."""

    mass_kg: float
    drag_area_m2: float
    rolling_share: float
    wheel_radius_m: float
    gears: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Car:
    """An invented car: `build` is what its calibration was written for."""

    name: str
    meaning: str
    build: Build
    targets: Targets
    body: Body


_COMPACT = Body(
    mass_kg=1420.0, drag_area_m2=0.66, rolling_share=0.012, wheel_radius_m=0.316,
    gears=(13.2, 7.6, 5.1, 3.85, 3.05, 2.55),
)  # fmt: skip
_SMALL = Body(
    mass_kg=1120.0, drag_area_m2=0.62, rolling_share=0.012, wheel_radius_m=0.292,
    gears=(14.6, 8.1, 5.6, 4.25, 3.45),
)  # fmt: skip
_SALOON = Body(
    mass_kg=1640.0, drag_area_m2=0.68, rolling_share=0.012, wheel_radius_m=0.330,
    gears=(12.4, 7.3, 4.95, 3.70, 2.90, 2.35),
)  # fmt: skip

_BRACKWELL = Build(
    engine=EngineBlock(
        displacement_l=1.998, cylinders=4, banks=1, compression_ratio=9.6, breathing_peak=0.93,
        breathing_peak_rpm=4200.0, breathing_fall=0.20, breathing_waves=0.010, inertia_kgm2=0.16, idle_rpm=760.0,
        limiter_rpm=6800.0, manifold_volume_l=4.2,
    ),
    intake=IntakeTube(0.9),
    air_meter=AirMeter(66.0),
    charge_pipes=ChargePipes(7.0, 0.78),
    throttle=Throttle(58.0),
    turbocharger=TurboUnit(54.0, 4.3, 3.4, 3.4e-5),
    boost_control=BoostControl(0.72, 38.0, 32.0),
    injectors=InjectorSet(7.4, 0.95),
    fuel_supply=FuelSupply(400.0, 19.5, 0.020),
    exhaust=ExhaustSystem(6.5, 1.3),
    lambda_sensor=LambdaSensor(0.11),
)  # fmt: skip

_LINDEN = Build(
    engine=EngineBlock(
        displacement_l=1.596, cylinders=4, banks=1, compression_ratio=10.6, breathing_peak=0.96,
        breathing_peak_rpm=4600.0, breathing_fall=0.22, breathing_waves=0.018, inertia_kgm2=0.12, idle_rpm=720.0,
        limiter_rpm=6700.0, manifold_volume_l=3.4,
    ),
    intake=IntakeTube(1.6),
    air_meter=AirMeter(60.0),
    charge_pipes=ChargePipes(2.2, 0.0),
    throttle=Throttle(52.0),
    turbocharger=None,
    boost_control=None,
    injectors=InjectorSet(3.6, 0.90),
    fuel_supply=FuelSupply(380.0, 8.2, 0.009),
    exhaust=ExhaustSystem(9.0, 1.6),
    lambda_sensor=LambdaSensor(0.14),
)  # fmt: skip

_ROWAN = Build(
    engine=EngineBlock(
        displacement_l=1.198, cylinders=4, banks=1, compression_ratio=10.2, breathing_peak=0.93,
        breathing_peak_rpm=4000.0, breathing_fall=0.24, breathing_waves=0.015, inertia_kgm2=0.10, idle_rpm=760.0,
        limiter_rpm=6300.0, manifold_volume_l=2.6,
    ),
    intake=IntakeTube(2.2),
    air_meter=AirMeter(54.0),
    charge_pipes=ChargePipes(1.8, 0.0),
    throttle=Throttle(46.0),
    turbocharger=None,
    boost_control=None,
    injectors=InjectorSet(2.7, 1.05),
    fuel_supply=FuelSupply(300.0, 6.4, 0.008),
    exhaust=ExhaustSystem(13.0, 1.2),
    lambda_sensor=LambdaSensor(0.09),
)  # fmt: skip

_HARROW = Build(
    engine=EngineBlock(
        displacement_l=1.395, cylinders=4, banks=1, compression_ratio=10.0, breathing_peak=0.94,
        breathing_peak_rpm=3800.0, breathing_fall=0.24, breathing_waves=0.012, inertia_kgm2=0.13, idle_rpm=780.0,
        limiter_rpm=6500.0, manifold_volume_l=2.8,
    ),
    intake=IntakeTube(1.2),
    air_meter=None,
    charge_pipes=ChargePipes(4.5, 0.80),
    throttle=Throttle(48.0),
    turbocharger=TurboUnit(45.0, 2.9, 2.4, 1.6e-5),
    boost_control=BoostControl(0.70, 36.0, 30.0),
    injectors=InjectorSet(5.0, 0.85),
    fuel_supply=FuelSupply(400.0, 12.0, 0.012),
    exhaust=ExhaustSystem(10.0, 1.0),
    lambda_sensor=LambdaSensor(0.10),
)  # fmt: skip

_TARN = Build(
    engine=EngineBlock(
        displacement_l=2.996, cylinders=6, banks=2, compression_ratio=9.8, breathing_peak=0.95,
        breathing_peak_rpm=4400.0, breathing_fall=0.20, breathing_waves=0.012, inertia_kgm2=0.21, idle_rpm=700.0,
        limiter_rpm=6800.0, manifold_volume_l=5.6,
    ),
    intake=IntakeTube(0.6),
    air_meter=AirMeter(80.0),
    charge_pipes=ChargePipes(9.0, 0.80),
    throttle=Throttle(72.0),
    turbocharger=TurboUnit(64.0, 6.3, 4.8, 6.6e-5),
    boost_control=BoostControl(0.72, 38.0, 30.0),
    injectors=InjectorSet(7.2, 0.95),
    fuel_supply=FuelSupply(400.0, 28.5, 0.028),
    exhaust=ExhaustSystem(3.6, 2.2),
    lambda_sensor=LambdaSensor(0.11),
)  # fmt: skip

CARS: Mapping[str, Car] = {
    car.name: car
    for car in (
        Car(
            "brackwell_20t",
            "2.0 litre turbocharged four with an air meter",
            _BRACKWELL,
            Targets(
                full_load_lambda=(0.90, 0.87, 0.84, 0.81, 0.79),
                lambda_rpm=(1500.0, 3000.0, 4500.0, 5800.0, 6800.0),
                enrich_load=118.0,
                boost_kpa=(20.0, 45.0, 80.0, 100.0, 105.0, 100.0, 88.0, 76.0),
                boost_rpm=(1200.0, 1800.0, 2400.0, 3000.0, 4000.0, 5000.0, 6000.0, 6800.0),
            ),
            _COMPACT,
        ),
        Car(
            "linden_16",
            "1.6 litre naturally aspirated four with an air meter",
            _LINDEN,
            Targets(
                full_load_lambda=(0.92, 0.90, 0.88, 0.87),
                lambda_rpm=(1500.0, 3500.0, 5500.0, 6500.0),
                enrich_load=74.0,
                long_trim_limit=25.0,
            ),
            _SMALL,
        ),
        Car(
            "rowan_12",
            "1.2 litre naturally aspirated four with an air meter and a narrow-band sensor",
            _ROWAN,
            Targets(
                full_load_lambda=(0.91, 0.89, 0.87, 0.86),
                lambda_rpm=(1500.0, 3500.0, 5000.0, 6200.0),
                enrich_load=72.0,
                long_trim_limit=25.0,
                narrow_band=True,
            ),
            _SMALL,
        ),
        Car(
            "harrow_14t",
            "1.4 litre turbocharged four on speed-density",
            _HARROW,
            Targets(
                full_load_lambda=(0.93, 0.90, 0.87, 0.84),
                lambda_rpm=(1500.0, 3500.0, 5000.0, 6500.0),
                enrich_load=125.0,
                boost_kpa=(20.0, 50.0, 80.0, 95.0, 95.0, 88.0, 76.0, 66.0),
                boost_rpm=(1200.0, 1700.0, 2200.0, 2800.0, 4000.0, 5000.0, 5800.0, 6500.0),
                closed_above_lambda=0.0,
            ),
            _SMALL,
        ),
        Car(
            "tarn_30t",
            "3.0 litre turbocharged six in two banks with an air meter",
            _TARN,
            Targets(
                full_load_lambda=(0.91, 0.88, 0.85, 0.82, 0.80),
                lambda_rpm=(1500.0, 3000.0, 4500.0, 5800.0, 6800.0),
                enrich_load=120.0,
                long_trim_limit=25.0,
                boost_kpa=(15.0, 40.0, 70.0, 85.0, 88.0, 84.0, 76.0, 66.0),
                boost_rpm=(1200.0, 1800.0, 2400.0, 3000.0, 4000.0, 5000.0, 6000.0, 6800.0),
                closed_above_lambda=0.0,
            ),
            _SALOON,
        ),
    )
}
"""Every car by name."""
