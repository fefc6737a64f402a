"""What the blind evaluation drives: a kind of task and a seed go in, everything the drive depends on comes out.

Kinds: `single`, `double` and `triple` (so many things wrong at once, drawn from fuel, boost and supply), `matching`,
`ordinary` (healthy, 20 to 60 minutes without full load: weather, purge, a fuel stop, a cold start) and the `FAULTS` by
name. Four fifths of the ports number pedal, throttle and load as real ones do. The draw is plain values (`Drawn`), so
that a drive can be kept under it and judged again by another version. Seeds 0 to 999 and from 40000 on belong to the
evaluation; tuning used those between.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from typing import Any

import numpy as np

from livewatch.simulator import CARS, Mismatch, Scenario

__all__ = ["FAMILY", "FAULTS", "GROUP", "Drawn", "drawn_of", "key_of", "scenario_of", "simulated_as"]

FAMILY: Mapping[str, str] = {
    "air_meter_bore": "metering",
    "air_meter_shape": "metering",
    "injector_flow": "injection",
    "injector_dead_time": "injection",
    "weak_injector": "injection",
    "vacuum_leak": "air leak",
    "pressure_leak": "air leak",
    "boost_solenoid": "boost",
    "wastegate_actuator": "boost",
    "free_exhaust": "boost",
    "turbo_size": "boost",
    "fuel_supply": "fuel supply",
    "lambda_drift": "none",
}
"""The right family of each kind. A drifting lambda sensor is no mismatch between parts and calibration."""

GROUP: Mapping[str, tuple[str, ...]] = {
    "fuel": tuple(kind for kind, family in FAMILY.items() if family in ("metering", "injection", "air leak")),
    "boost": tuple(kind for kind, family in FAMILY.items() if family == "boost"),
    "supply": ("fuel_supply",),
}
_RANGES: Mapping[str, tuple[tuple[float, float], ...]] = {
    "air_meter_shape": ((-32.0, -5.0), (5.0, 30.0)),
    "injector_flow": ((-22.0, -3.0), (3.0, 35.0)),
    "injector_dead_time": ((-0.3, -0.05), (0.05, 0.45)),
    "vacuum_leak": ((1.0, 4.0),),
    "pressure_leak": ((3.0, 20.0),),
    "boost_solenoid": ((-25.0, -5.0), (5.0, 25.0)),
    "wastegate_actuator": ((-20.0, -5.0), (8.0, 50.0)),
    "free_exhaust": ((20.0, 90.0),),
    "turbo_size": ((-20.0, -6.0), (6.0, 30.0)),
    "fuel_supply": ((15.0, 60.0),),
    "weak_injector": ((10.0, 60.0),),
    "lambda_drift": ((-9.0, -2.0), (2.0, 9.0)),
}
"""Sizes drawn, in the kind's own unit; the bore is drawn as a ratio to the car's own."""
_ALL_ROUTES = ("mixed", "mixed", "mixed", "pulls", "dyno")
_DOUBLES = (("fuel", "boost"), ("fuel", "boost"), ("fuel", "fuel"), ("fuel", "supply"), ("boost", "supply"))
_TRIPLES = (("fuel", "boost", "supply"), ("fuel", "fuel", "boost"), ("fuel", "fuel", "supply"))
FAULTS: Mapping[str, Mapping[str, Any]] = {
    "pump_ends_at_the_top": {"route": "pulls", "mismatches": [("fuel_supply", (8.0, 26.0))]},
    "creep_without_command": {
        "car": "brackwell_20t", "route": "pulls", "mismatches": [("free_exhaust", (65.0, 90.0))],
        "watched": {"without": ["boost command"], "rates": [(10.0, True), (5.0, True)]},
    },
    "narrow_band_weak_pump": {"car": "rowan_12", "route": "pulls", "mismatches": [("fuel_supply", (60.0, 70.0))]},
    "command_always_0": {"watched": {"fault": "command 0"}},
    "stuck_channel": {"watched": {"fault": "stuck"}},
    "impossible_channel": {"watched": {"fault": "impossible"}},
    "wrong_profile": {"car": "brackwell_20t", "watched": {"fault": "wrong profile", "rates": [(100.0, False)]}},
}  # fmt: skip
"""What a verdict once said wrong things about, by name: the parts of the draw that are set."""
Drawn = dict[str, Any]


def scenario_of(seed: int, matching: bool = False) -> Scenario:
    """The scenario of a single mismatch or of a matching car; 2 in 9 of the first are matching, too."""
    return simulated_as(drawn_of("matching" if matching else "single", seed))


def drawn_of(kind: str, seed: int) -> Drawn:
    """Everything the drive of a kind and a seed depends on."""
    if kind == "ordinary":
        return _ordinary(seed)
    if kind in FAULTS:
        return _fault(kind, seed)
    number = {"matching": 0, "single": 1, "double": 2, "triple": 3}[kind]
    rng = np.random.default_rng([seed, 4] if number < 2 else [seed, 4, number])
    car = CARS[str(rng.choice(list(CARS)))]
    if number < 2:
        kinds = [name for name in FAMILY if _has(car.build, name)]
        is_matching = bool(rng.random() < 2.0 / 9.0) or number == 0
        mismatches = [_sized(car, str(rng.choice(kinds)), rng, 0.0)]
        mismatches = [] if is_matching else mismatches
    else:
        mismatches = _several(car, _DOUBLES if number == 2 else _TRIPLES, rng)
    return _drive(kind, seed, car.name, mismatches, rng)


def _drive(kind: str, seed: int, car: str, mismatches: list[tuple[str, float]], rng: np.random.Generator) -> Drawn:
    return {
        "kind": kind,
        "car": car,
        "mismatches": mismatches,
        "route": str(rng.choice(_ALL_ROUTES)),
        "duration": 600.0,
        "altitude_m": float(rng.choice([0.0, 150.0, 400.0, 800.0, 1500.0, 2500.0])),
        "weather_kpa": float(rng.uniform(-1.5, 1.5)),
        "ambient_degC": float(rng.uniform(-5.0, 35.0)),
        "humidity_percent": float(rng.uniform(20.0, 90.0)),
        "ethanol_percent": float(rng.choice([10.0, 10.0, 10.0, 0.0, 5.0, 20.0, 25.0])),
        "cold_start": bool(rng.random() < 0.15),
        "ageing": float(rng.uniform(0.3, 1.3)),
        "scaling": _scaling(seed),
        "seed": seed,
    }


def _ordinary(seed: int) -> Drawn:
    """A healthy car on its way; 20 to 60 minutes, half of them cold, a third with a fuel stop on the way."""
    rng = np.random.default_rng([seed, 11])
    drawn = _drive("ordinary", seed, str(rng.choice(list(CARS))), [], rng)
    drawn |= {
        "route": "ordinary",
        "duration": round(float(rng.uniform(1200.0, 3600.0))),
        "ethanol_percent": float(rng.choice([10.0, 10.0, 10.0, 0.0, 5.0])),
        "cold_start": bool(rng.random() < 0.5),
        "purge_seconds": (round(float(rng.uniform(75.0, 500.0))), 60.0),
        "refuelled": [],
    }
    if rng.random() < 1.0 / 3.0:
        drawn["refuelled"] = [
            (round(drawn["duration"] * float(rng.uniform(0.2, 0.6))), float(rng.choice([0.0, 10.0, 15.0])))
        ]
    return drawn


def _fault(name: str, seed: int) -> Drawn:
    rng = np.random.default_rng([seed, 12])
    fault = FAULTS[name]
    drawn = _drive(name, seed, fault.get("car") or str(rng.choice(list(CARS))), [], rng)
    drawn["mismatches"] = [(kind, round(float(rng.uniform(*sizes)), 3)) for kind, sizes in fault.get("mismatches", [])]
    drawn["ethanol_percent"], drawn["duration"], drawn["cold_start"] = 10.0, 420.0, False
    drawn["route"] = fault.get("route", "mixed")
    return drawn


def _scaling(seed: int) -> Drawn:
    """How the port numbers pedal, throttle and load: drawn apart, so that the rest of a seed's draw stays what it
    was. Travel or voltage of either sensor, ends where real cars have them."""
    rng = np.random.default_rng([seed, 6])
    if rng.random() < 0.2:
        return {}
    pedal, throttle = (0.0, float(rng.choice([100.0, 100.0, 80.0]))), (0.0, float(rng.choice([100.0, 88.0])))
    if rng.random() < 0.7:
        pedal = round(float(rng.uniform(13.5, 17.5)), 1), round(float(rng.uniform(55.0, 100.0)), 1)
    if rng.random() < 0.7:
        throttle = round(float(rng.uniform(11.5, 18.0)), 1), round(float(rng.uniform(79.0, 90.0)), 1)
    return {
        "pedal": pedal,
        "throttle": throttle,
        "load_at_full": round(float(rng.uniform(92.0, 100.0)), 1),
        "load_with_boost": bool(rng.random() < 0.5),
    }


def _several(car: Any, groups: tuple[tuple[str, ...], ...], rng: np.random.Generator) -> list[tuple[str, float]]:
    """Kinds of one of `groups`, no two of a family, none barely wrong."""
    possible = [group for group in groups if car.build.turbocharger is not None or "boost" not in group]
    while True:
        kinds: list[str] = []
        for group in possible[int(rng.integers(len(possible)))]:
            families = {FAMILY[kind] for kind in kinds}
            left = [kind for kind in GROUP[group] if _has(car.build, kind) and FAMILY[kind] not in families]
            if left:
                kinds.append(str(rng.choice(left)))
        if len(kinds) == len(possible[0]):
            return [_sized(car, kind, rng, 0.35) for kind in kinds]


def _sized(car: Any, kind: str, rng: np.random.Generator, least: float) -> tuple[str, float]:
    """The kind with a size, `least` of its range away from nothing."""
    if kind == "air_meter_bore":
        low, high = ((0.90, 0.975), (1.02, 1.14))[int(rng.random() < 0.6)]
        size = car.build.air_meter.bore_mm * _between(low - 1.0, high - 1.0, least, rng, 1.0)
        return kind, round(size, 1)
    ranges = _RANGES[kind]
    low, high = ranges[int(rng.integers(len(ranges)))]
    return kind, round(_between(low, high, least, rng, 0.0), 3)


def _between(low: float, high: float, least: float, rng: np.random.Generator, base: float) -> float:
    if low < 0.0:
        high -= least * (high - low)
    else:
        low += least * (high - low)
    return float(rng.uniform(base + low, base + high))


def _has(build: Any, kind: str) -> bool:
    if kind in ("air_meter_bore", "air_meter_shape"):
        return build.air_meter is not None
    if kind == "pressure_leak" or FAMILY[kind] == "boost":
        return build.turbocharger is not None
    return True


def key_of(drawn: Drawn) -> str:
    """The name under which the drive is kept."""
    return hashlib.sha1(json.dumps(drawn, sort_keys=True).encode()).hexdigest()[:20]


def simulated_as(drawn: Drawn) -> Scenario:
    """The scenario to simulate."""
    given = {name: value for name, value in drawn.items() if name != "kind"}
    given["mismatches"] = tuple(Mismatch(kind, size) for kind, size in given["mismatches"])
    scaling = given.pop("scaling")
    if scaling:
        from livewatch.simulator import PortScaling

        given["scaling"] = PortScaling(**scaling)
    return Scenario(**given)
