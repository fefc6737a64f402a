"""Where and how the car is driven: legs, and routes made of them.

A route is a recipe: given a random generator it yields legs for as long as anybody asks. Speeds, pauses and gradients
vary with the generator, so that two seeds are two drives. Nothing here knows the engine.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass

import numpy as np

__all__ = ["ROUTES", "Cruise", "DynoHold", "DynoPull", "Idle", "Leg", "RoadPull", "Route"]


@dataclass(frozen=True, slots=True)
class Idle:
    """Stand still for `seconds`."""

    seconds: float


@dataclass(frozen=True, slots=True)
class Cruise:
    """Drive at `kmh` for `seconds` after reaching it, on a gradient of `grade_percent`; in `gear` when given, then
    `kmh` may be given as engine speed through `rpm`. `brisk` scales how hard the driver accelerates."""

    kmh: float
    seconds: float
    grade_percent: float = 0.0
    gear: int = 0
    rpm: float = 0.0
    brisk: float = 1.0


@dataclass(frozen=True, slots=True)
class RoadPull:
    """Full pedal in `gear` from one engine speed to another."""

    gear: int
    from_rpm: float
    to_rpm: float


@dataclass(frozen=True, slots=True)
class DynoHold:
    """The dynamometer holds `rpm`, the pedal stands at `pedal_percent`, for `seconds`."""

    rpm: float
    pedal_percent: float
    seconds: float


@dataclass(frozen=True, slots=True)
class DynoPull:
    """Full pedal on the dynamometer, engine speed led from one to the other in `seconds`."""

    from_rpm: float
    to_rpm: float
    seconds: float


Leg = Idle | Cruise | RoadPull | DynoHold | DynoPull
Recipe = Callable[[np.random.Generator], Iterator[Leg]]


@dataclass(frozen=True, slots=True)
class Route:
    """A named route. `on_dyno` ones are driven on a dynamometer; `seconds` is the usual length."""

    name: str
    meaning: str
    legs: Recipe
    seconds: float
    on_dyno: bool = False


def _town(rng: np.random.Generator) -> Iterator[Leg]:
    while True:
        yield Idle(float(rng.uniform(4, 22)))
        for _ in range(int(rng.integers(1, 4))):
            yield Cruise(float(rng.choice([30, 40, 50, 50, 60])), float(rng.uniform(6, 30)), float(rng.normal(0, 1.2)))


def _motorway(rng: np.random.Generator) -> Iterator[Leg]:
    yield Idle(6.0)
    yield Cruise(50.0, 12.0)
    while True:
        yield Cruise(float(rng.uniform(95, 135)), float(rng.uniform(25, 70)), float(rng.normal(0, 1.5)), brisk=1.3)


def _ordinary(rng: np.random.Generator) -> Iterator[Leg]:
    """Somebody's way to work: traffic lights, town, country road, now and then a motorway; no hurry."""
    yield Idle(float(rng.uniform(8, 40)))
    while True:
        for _ in range(int(rng.integers(3, 7))):
            limit = float(rng.choice([30, 40, 50, 50]))
            yield Cruise(limit, float(rng.uniform(6, 35)), float(rng.normal(0, 1.0)), brisk=float(rng.uniform(0.6, 1)))
            if rng.random() < 0.6:
                yield Idle(float(rng.uniform(5, 45)))
        for _ in range(int(rng.integers(1, 5))):
            speed = float(rng.uniform(60, 95))
            yield Cruise(speed, float(rng.uniform(20, 80)), float(rng.normal(0, 1.5)), brisk=float(rng.uniform(0.6, 1)))
        if rng.random() < 0.5:
            for _ in range(int(rng.integers(2, 5))):
                yield Cruise(float(rng.uniform(100, 125)), float(rng.uniform(40, 120)), float(rng.normal(0, 1)))


def _hills(rng: np.random.Generator) -> Iterator[Leg]:
    yield Idle(5.0)
    while True:
        for grade in (float(rng.uniform(3, 8)), float(rng.uniform(2, 6)), -float(rng.uniform(2, 7)), 0.0):
            yield Cruise(float(rng.uniform(45, 85)), float(rng.uniform(15, 35)), grade, brisk=1.2)


def _pulls(rng: np.random.Generator) -> Iterator[Leg]:
    yield Idle(12.0)
    yield Cruise(60.0, 15.0)
    while True:
        yield RoadPull(3, float(rng.uniform(1800, 2200)), float(rng.uniform(6100, 6400)))
        yield Cruise(float(rng.uniform(60, 80)), float(rng.uniform(12, 22)))
        yield RoadPull(4, float(rng.uniform(2000, 2400)), float(rng.uniform(5200, 5700)))
        yield Cruise(float(rng.uniform(50, 70)), float(rng.uniform(15, 25)))
        yield Idle(float(rng.uniform(8, 15)))


def _mixed(rng: np.random.Generator) -> Iterator[Leg]:
    """A bit of everything, as a specialist asks for: idle, town, steady holds, motorway, hills, two pulls."""
    yield Idle(20.0)
    while True:
        yield Cruise(50.0, float(rng.uniform(10, 18)))
        yield Idle(float(rng.uniform(6, 14)))
        yield Cruise(float(rng.uniform(45, 55)), float(rng.uniform(8, 15)), float(rng.normal(0, 1)))
        yield Cruise(0.0, float(rng.uniform(10, 15)), gear=3, rpm=float(rng.uniform(2300, 2700)))
        yield Cruise(
            0.0, float(rng.uniform(10, 15)), float(rng.uniform(2, 5)), gear=3, rpm=float(rng.uniform(3000, 3600))
        )
        yield RoadPull(3, float(rng.uniform(1800, 2200)), float(rng.uniform(6000, 6400)))
        yield Cruise(float(rng.uniform(75, 90)), float(rng.uniform(12, 20)), float(rng.normal(0, 1.5)))
        yield Cruise(float(rng.uniform(110, 130)), float(rng.uniform(20, 35)), float(rng.normal(0, 1)), brisk=1.4)
        yield Cruise(float(rng.uniform(70, 85)), float(rng.uniform(10, 16)), float(rng.uniform(3, 6)))
        yield RoadPull(4, float(rng.uniform(2100, 2500)), float(rng.uniform(5000, 5600)))
        yield Cruise(float(rng.uniform(50, 60)), float(rng.uniform(8, 15)))
        yield Idle(float(rng.uniform(15, 25)))


def _standing(rng: np.random.Generator) -> Iterator[Leg]:
    while True:
        yield Idle(60.0)


def _dyno(rng: np.random.Generator) -> Iterator[Leg]:
    """A dyno session: warm-up hold, pulls with cooling between, then a load-held sweep; again and again."""
    yield Idle(15.0)
    yield DynoHold(2000.0, 14.0, 15.0)
    while True:
        for _ in range(3):
            yield DynoPull(1900.0, 6300.0, float(rng.uniform(9.0, 11.0)))
            yield DynoHold(2200.0, 10.0, float(rng.uniform(22.0, 30.0)))
        for rpm in (2000.0, 2750.0, 3500.0, 4250.0):
            for pedal in (16.0, 28.0, 42.0):
                yield DynoHold(rpm, pedal, 7.0)
        yield DynoHold(2000.0, 10.0, 15.0)


ROUTES: Mapping[str, Route] = {
    route.name: route
    for route in (
        Route("mixed", "idle, town, steady holds, motorway, hills and two pulls, over and over", _mixed, 600.0),
        Route("ordinary", "a way to work: town, country road, motorway, no full load", _ordinary, 1800.0),
        Route("town", "stop and go between 30 and 60 km/h", _town, 600.0),
        Route("motorway", "95 to 135 km/h on a rolling road", _motorway, 600.0),
        Route("hills", "45 to 85 km/h up and down", _hills, 600.0),
        Route("pulls", "full-pedal pulls in third and fourth gear with pauses", _pulls, 300.0),
        Route("standing", "idling only", _standing, 120.0),
        Route("dyno", "a dynamometer session: pulls, then speeds and loads held", _dyno, 330.0, on_dyno=True),
    )
}
"""Every route by name."""
