"""How far the fitted fuel supply reaches: the fuel full load takes against what injectors and pump can bring.

A `Case` comes in, a `Supply` goes out: in g/s of fuel and in g/s of the air it is enough for. What the sheet does not
state is named and leaves the reach unknown.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt
from typing import Any

from livewatch.build_sheet.case import Case
from livewatch.build_sheet.parts import FuelInTank, FuelPump, Injectors, Turbocharger
from livewatch.build_sheet.physics import FuelFacts, flow_at, fuel_facts
from livewatch.build_sheet.points import FULL_LOAD
from livewatch.data.physics import STANDARD_PRESSURE
from livewatch.profile.fuels import GASOLINE_DENSITY

__all__ = ["MOST_DUTY", "Supply", "supply_of"]

MOST_DUTY = 0.85
"""Duty of an injector up to which it can be relied on; common practice, no source."""


@dataclass(frozen=True, slots=True)
class Supply:
    """The fuel supply at full load.

    Attributes:
        air: g/s that full load takes; `is_air_stated` whether the sheet says so rather than common practice.
        fuel: g/s of fuel for it; None for a fuel of unknown ratio.
        injectors, pump: g/s each can bring; None where unknown.
        missing: numbers without which one of them stays unknown.
    """

    air: float
    is_air_stated: bool
    fuel: float | None
    injectors: float | None
    pump: float | None
    missing: tuple[str, ...]

    @property
    def limit(self) -> tuple[str, float] | None:
        """What ends first of what is known, and its g/s of fuel."""
        known = [(name, flow) for name, flow in (("injectors", self.injectors), ("fuel pump", self.pump)) if flow]
        return min(known, key=lambda pair: pair[1]) if known else None

    @property
    def headroom(self) -> float | None:
        """What is left at full load as a share of what it takes; negative where it is short. None where unknown."""
        if self.limit is None or not self.fuel:
            return None
        return self.limit[1] / self.fuel - 1.0

    @property
    def air_reach(self) -> float | None:
        """g/s of air that the supply is enough for."""
        return None if self.headroom is None else self.air * (1.0 + self.headroom)

    def to_json(self) -> dict[str, Any]:
        """As documented for `livewatch check --json`."""

        def rounded(value: float | None) -> float | None:
            return None if value is None else round(value, 3)

        return {
            "air_at_full_load": rounded(self.air),
            "air_unit": "g/s",
            "air_is_stated": self.is_air_stated,
            "fuel_needed": rounded(self.fuel),
            "injectors_bring": rounded(self.injectors),
            "fuel_pump_brings": rounded(self.pump),
            "fuel_unit": "g/s",
            "enough_for_air": rounded(self.air_reach),
            "headroom": None if self.headroom is None else round(self.headroom * 100.0, 1),
            "headroom_unit": "%",
            "missing": list(self.missing),
        }


def supply_of(case: Case) -> Supply:
    """The supply of the fitted parts at the full-load point."""
    point = case.points[FULL_LOAD]
    air = point.air
    turbocharger = case.fitted("turbocharger", Turbocharger)
    if turbocharger is not None and turbocharger.most_air_flow is not None and not point.is_stated:
        air = min(air, turbocharger.most_air_flow.value)
    facts = _fitted_fuel(case)
    missing: list[str] = []
    injectors = _injectors(case, facts, missing)
    pump = _pump(case, missing)
    if facts is None:
        missing.append("name or ethanol content of the fitted fuel")
    fuel = None if facts is None else air / (facts.ratio * point.commanded_lambda)
    return Supply(air, point.is_stated, fuel, injectors, pump, tuple(missing))


def _fitted_fuel(case: Case) -> FuelFacts | None:
    """Of the fuel in the tank; the profile's where the sheet says nothing about any."""
    stated = case.fitted("fuel", FuelInTank)
    if stated is not None:
        return fuel_facts(stated)
    return None if "fuel" in case.sheet.fitted else case.calibrated_fuel()


def _injectors(case: Case, facts: FuelFacts | None, missing: list[str]) -> float | None:
    """g/s of all injectors at 85 % duty: the dead time of each event brings nothing."""
    part, pump = case.fitted("injectors", Injectors), case.fitted("fuel_pump", FuelPump)
    point = case.points[FULL_LOAD]
    lacking = [f"`{key}`" for key in ("flow", "at", "dead_time") if part is None or key not in part.numbers]
    if lacking:
        missing.append(f"{' and '.join(lacking)} of the fitted injectors")
    across = case.across(pump, point.manifold)
    if across is None:
        missing.append("`set_pressure` and `referenced_to` of the fitted fuel pump: the pressure across the injectors")
    if part is None or part.flow is None or part.at is None or part.dead_time is None or across is None:
        return None
    flow = flow_at(part.flow.value, part.at.value, across)
    if facts is not None and facts.density is not None:
        flow *= sqrt(facts.density / GASOLINE_DENSITY)
    event = 120.0e3 / point.speed
    return case.engine.cylinders * flow * max(MOST_DUTY - part.dead_time.value / event, 0.0)


def _pump(case: Case, missing: list[str]) -> float | None:
    """g/s of the pump, where its flow is given against at least the pressure it works against."""
    part = case.fitted("fuel_pump", FuelPump)
    if part is None or part.flow is None or part.at is None:
        missing.append("`flow` and `at` of the fitted fuel pump")
        return None
    if part.set_pressure is None or part.referenced_to is None:
        return None
    against = part.set_pressure.value
    if part.referenced_to == "manifold":
        # The regulator adds the boost, and the pump pushes from a tank at the air outside.
        against += max(case.points[FULL_LOAD].manifold - STANDARD_PRESSURE, 0.0)
    if part.at.value < 0.98 * against:
        missing.append(f"flow of the fitted fuel pump against {against:.0f} kPa, which it works against at full load")
        return None
    return part.flow.value
