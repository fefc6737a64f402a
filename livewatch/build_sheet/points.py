"""Where the engine works: idle, cruise and full load, as the sheet states them or as they are usual.

A build sheet and an engine come in; three `Point`s go out, each with the air it takes (speed-density, Heywood 1988, eq.
2.27, and at idle what is usual) and with what had to be assumed, said in words.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from livewatch.build_sheet.parts import WorkingPoint
from livewatch.build_sheet.sheet import BuildSheet
from livewatch.data.physics import ABSOLUTE_ZERO, STANDARD_PRESSURE, filled_air, residual_share
from livewatch.profile.model import Engine

__all__ = ["CONDITIONS", "FULL_LOAD", "Point", "working_points"]

FULL_LOAD = "full load"
CONDITIONS: tuple[str, ...] = ("idle", "cruise", FULL_LOAD)

USUAL: Mapping[str, tuple[float, float, float, float]] = {
    "idle": (750.0, 30.0, 40.0, 1.0),
    "cruise": (2500.0, 55.0, 40.0, 1.0),
    FULL_LOAD: (6500.0, 98.0, 40.0, 0.88),
}
"""rpm, kPa absolute in the manifold, degC there, commanded lambda; common practice, no source."""
USUAL_BOOSTED = (6500.0, 200.0, 50.0, 0.82)
"""Full load of a boosted road engine: about the most that is plausible; common practice, no source."""
IDLE_AIR = 1.2
"""g/s of air for each litre of displacement at warm idle; common practice, no source."""
USUAL_EFFICIENCY = 0.90


@dataclass(frozen=True, slots=True)
class Point:
    """One working point.

    Attributes:
        speed: rpm. manifold: kPa absolute. air: g/s. commanded_lambda: plain ratio.
        charge: g of air in each cylinder and cycle.
        is_stated: whether the sheet gives the manifold pressure or the air flow.
        assumed: the numbers that the sheet does not give, in words with units.
    """

    condition: str
    speed: float
    manifold: float
    air: float
    charge: float
    commanded_lambda: float
    is_stated: bool
    assumed: tuple[str, ...]


def working_points(sheet: BuildSheet, engine: Engine) -> dict[str, Point]:
    """The three points by condition."""
    stated = sheet.working_points
    given = dict(zip(CONDITIONS, (stated.idle, stated.cruise, stated.full_load), strict=True))
    return {condition: _point(condition, given[condition], engine) for condition in CONDITIONS}


def _point(condition: str, given: WorkingPoint, engine: Engine) -> Point:
    boosted = engine.induction != "naturally_aspirated"
    usual = USUAL_BOOSTED if boosted and condition == FULL_LOAD else USUAL[condition]
    assumed: list[str] = []

    def taken(key: str, fallback: float, unit: str) -> float:
        stated = given.numbers.get(key)
        if stated is not None:
            return stated.value
        assumed.append(f"{key.replace('_', ' ')} {fallback:g}{unit}")
        return fallback

    speed = taken("speed", usual[0], " rpm")
    manifold = taken("manifold_pressure", usual[1], " kPa absolute")
    if given.air_flow is not None:
        air = given.air_flow.value
    elif condition == "idle" and given.manifold_pressure is None:
        air = IDLE_AIR * engine.displacement
        assumed.append(f"air flow {air:.2g} g/s")
    else:
        temperature = taken("charge_temperature", usual[2], " degC")
        if engine.volumetric_efficiency is None:
            efficiency = USUAL_EFFICIENCY
            assumed.append(f"volumetric efficiency {efficiency:g}")
        else:
            efficiency = sum(engine.volumetric_efficiency) / 2.0
        efficiency *= _breathing(manifold)
        air = efficiency * filled_air(engine.displacement, speed, manifold, temperature - ABSOLUTE_ZERO)
    commanded = taken("commanded_lambda", usual[3], "")
    charge = air / (speed / 120.0 * engine.cylinders)
    is_stated = given.manifold_pressure is not None or given.air_flow is not None
    return Point(condition, speed, manifold, air, charge, commanded, is_stated, tuple(assumed))


def _breathing(manifold: float) -> float:
    """Share of the volumetric efficiency that burned gas leaves where the manifold is below the air outside. Under
    boost the exhaust's own pressure is not known, and nothing is taken off."""
    if manifold >= STANDARD_PRESSURE:
        return 1.0
    return float(residual_share(np.array([manifold]), np.array([STANDARD_PRESSURE]))[0])
