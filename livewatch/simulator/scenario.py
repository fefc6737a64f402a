"""What is to be driven: the car, what is wrong with it, the road, the air, the fuel.

A `Scenario` is everything a drive depends on; the same scenario gives the same drive, to the last bit.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from livewatch.errors import UsageError, nearest
from livewatch.simulator.cars import CARS, Car
from livewatch.simulator.engine_parts import Build
from livewatch.simulator.fuel_control import PURGE_SECONDS
from livewatch.simulator.mismatches import Mismatch, check_mismatch
from livewatch.simulator.port_scaling import BY_TRAVEL, PortScaling
from livewatch.simulator.routes import ROUTES, Route

__all__ = ["Scenario"]


@dataclass(frozen=True, slots=True)
class Scenario:
    """One drive to be simulated.

    Attributes:
        car: a car, or the name of one of `CARS`.
        mismatches: what is wrong; empty for parts that match.
        route: a route, or the name of one of `ROUTES`.
        duration: s; None for the route's usual length.
        altitude_m: metres above the sea, -300 to 4500; the barometer follows ISO 2533.
        weather_kpa: how far the weather moves the barometer, -5 to 5 kPa.
        ambient_degC, humidity_percent: the air outside.
        ethanol_percent: ethanol in the fuel by volume (10 is what cars are calibrated for).
        cold_start: begin with a cold engine standing still; else warm and idling.
        ageing: how much of the ordinary tolerances this car has used up: 0 a drawing, 1 ordinary.
        refuelled: fuel stops: at which second how much ethanol, in % by volume, is in the tank from then on. It reaches
            the injectors within `running_car.FUEL_LINE_SECONDS`.
        purge: whether the tank's vapour is purged into the manifold.
        purge_seconds: for how long the valve may be open, and then stays shut so that the trims can learn.
        scaling: how the car's port numbers pedal, throttle and load.
        cells: learned fuel trims to begin with, one list a bank (`Drive.cells` of an earlier drive); None for a
            computer that has learned nothing since it was last reset.
        fitted, calibrated_for: build sheets to use in place of the car's own.
        seed: fixes every random thing: tolerances, traffic, driver, noise; 0 or more.
    """

    car: str | Car = "brackwell_20t"
    mismatches: Sequence[Mismatch] = ()
    route: str | Route = "mixed"
    duration: float | None = None
    altitude_m: float = 150.0
    weather_kpa: float = 0.0
    ambient_degC: float = 20.0
    humidity_percent: float = 50.0
    ethanol_percent: float = 10.0
    cold_start: bool = False
    ageing: float = 1.0
    refuelled: Sequence[tuple[float, float]] = ()
    purge: bool = True
    purge_seconds: tuple[float, float] = PURGE_SECONDS
    scaling: PortScaling = BY_TRAVEL
    cells: Sequence[Sequence[float]] | None = None
    fitted: Build | None = None
    calibrated_for: Build | None = None
    seed: int = 1

    def resolved(self) -> Scenario:
        """The same with car and route looked up, lengths filled in and everything checked.

        Raises:
            UsageError: an unknown name, an impossible part, an onset outside the drive, a value out of range.
        """
        car, route = self.car, self.route
        if isinstance(car, str):
            if car not in CARS:
                raise UsageError(f"unknown car {car!r}{nearest(car, CARS)}; there are {', '.join(CARS)}")
            car = CARS[car]
        if isinstance(route, str):
            if route not in ROUTES:
                raise UsageError(f"unknown route {route!r}{nearest(route, ROUTES)}; there are {', '.join(ROUTES)}")
            route = ROUTES[route]
        duration = route.seconds if self.duration is None else self.duration
        for name, value, low, high, unit in (
            ("duration", duration, 1.0, 86400.0, "s"),
            ("altitude", self.altitude_m, -300.0, 4500.0, "m"),
            ("weather", self.weather_kpa, -5.0, 5.0, "kPa"),
            ("ambient temperature", self.ambient_degC, -40.0, 55.0, "degC"),
            ("humidity", self.humidity_percent, 0.0, 100.0, "%"),
            ("ethanol", self.ethanol_percent, 0.0, 100.0, "%"),
            ("ageing", self.ageing, 0.0, 3.0, ""),
        ):
            if not low <= value <= high:
                raise UsageError(
                    f"{name} {value:g} {unit}: expected {low:g} to {high:g} {unit}".replace("  ", " ").rstrip()
                )
        for moment, ethanol in self.refuelled:
            if not (0.0 <= moment < duration and 0.0 <= ethanol <= 100.0):
                raise UsageError(
                    f"refuelled with {ethanol:g} % ethanol at {moment:g} s: expected 0 to 100 % within the drive"
                )
        if self.seed < 0:
            raise UsageError(f"seed {self.seed}: expected 0 or more")
        fitted = self.fitted or car.build
        for mismatch in self.mismatches:
            check_mismatch(mismatch, fitted, duration)
        if len({mismatch.name for mismatch in self.mismatches}) < len(self.mismatches):
            raise UsageError("a kind of mismatch can be given once only")
        return replace(
            self,
            car=car,
            route=route,
            duration=duration,
            mismatches=tuple(self.mismatches),
            fitted=fitted,
            calibrated_for=self.calibrated_for or car.build,
        )
