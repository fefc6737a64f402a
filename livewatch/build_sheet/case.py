"""One sheet on one engine: what every prediction is worked out from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TypeVar

from livewatch.build_sheet.differences import Difference
from livewatch.build_sheet.parts import FuelInTank, FuelPump, Injectors, Part
from livewatch.build_sheet.physics import FuelFacts, flow_at, fuel_facts, pressure_across
from livewatch.build_sheet.points import CONDITIONS, Point, working_points
from livewatch.build_sheet.prediction import Judge, Prediction
from livewatch.build_sheet.sheet import BuildSheet
from livewatch.errors import Mistake, MistakesError
from livewatch.profile.model import Engine, Profile

__all__ = ["Case", "everywhere", "known"]

Slot = TypeVar("Slot", bound=Part)


@dataclass(frozen=True, slots=True)
class Case:
    """A sheet, the profile and engine it is for, the limits of its corrections, and its working points by condition."""

    sheet: BuildSheet
    profile: Profile
    engine: Engine
    judge: Judge
    points: Mapping[str, Point]

    @classmethod
    def of(cls, sheet: BuildSheet, profile: Profile) -> Case:
        """The case of a sheet on a profile's engine.

        Raises:
            MistakesError: the profile says nothing about the engine.
        """
        if profile.engine is None:
            problem = (
                "has no `engine:`, and what a part does depends on the engine: expected displacement, cylinders, "
                "induction and air_metering there"
            )
            raise MistakesError([Mistake(f"profile {profile.name!r}", 0, 0, problem)])
        return cls(sheet, profile, profile.engine, Judge.of(profile), working_points(sheet, profile.engine))

    @property
    def metered(self) -> bool:
        """Whether the engine has an air meter."""
        return self.engine.air_metering == "mass_air_flow"

    @property
    def boosted(self) -> bool:
        """Whether it has a turbocharger or a supercharger."""
        return self.engine.induction != "naturally_aspirated"

    def calibrated(self, slot: str, kind: type[Slot]) -> Slot | None:
        """The part calibrated for, where stated."""
        part = self.sheet.calibrated_for.get(slot)
        return part if isinstance(part, kind) else None

    def fitted(self, slot: str, kind: type[Slot]) -> Slot | None:
        """The part fitted, where stated; the one calibrated for where the sheet says `same`."""
        part = self.sheet.calibrated_for.get(slot) if slot in self.sheet.same else self.sheet.fitted.get(slot)
        return part if isinstance(part, kind) else None

    def across(self, pump: FuelPump | None, manifold: float) -> float | None:
        """kPa across the injectors with `manifold` kPa absolute; None where the sheet does not say what the regulator
        holds, or against what, and where nothing would be left (`_cautions` of the forecast say so)."""
        if pump is None or pump.set_pressure is None or pump.referenced_to is None:
            return None
        across = pressure_across(pump.set_pressure.value, pump.referenced_to, manifold)
        return across if across > 0.0 else None

    def calibrated_fuel(self) -> FuelFacts:
        """Of the fuel calibrated for: the sheet's, else the profile's."""
        stated = self.calibrated("fuel", FuelInTank)
        facts = None if stated is None else fuel_facts(stated)
        if facts is not None:
            return facts
        named = fuel_facts(FuelInTank(name=self.engine.fuel))
        return FuelFacts(self.engine.stoichiometric, named.density if named else None)

    def open_time(self, condition: str) -> float | None:
        """ms of fuel flowing in each event, as calibrated; None without the injectors' flow. Where the pressure across
        them is not known, it is the one their flow is given at."""
        injectors = self.calibrated("injectors", Injectors)
        if injectors is None or injectors.flow is None:
            return None
        point = self.points[condition]
        flow = injectors.flow.value
        across = self.across(self.calibrated("fuel_pump", FuelPump), point.manifold)
        if injectors.at is not None and across is not None:
            flow = flow_at(flow, injectors.at.value, across)
        fuel = point.charge / (self.calibrated_fuel().ratio * point.commanded_lambda)
        return fuel / flow * 1e3


def everywhere(need: float) -> dict[str, float]:
    """The same need at every working point."""
    return dict.fromkeys(CONDITIONS, need)


def known(
    case: Case, difference: Difference, family: str, cause: str, why: str, need: Mapping[str, float],
    size: Mapping[str, tuple[float, str]], notes: tuple[str, ...] = (), missing: tuple[str, ...] = (),
) -> Prediction:  # fmt: skip
    """A prediction for a difference whose need is known: the need says how serious it is."""
    recalibrate, severity = case.judge.verdict(need)
    refuse = case.judge.refusal(need)
    return Prediction(
        difference.slot, family, cause, difference.found, recalibrate, severity, why, need, size, missing, refuse, notes
    )
