"""What a whole build sheet means before a wheel turns: every difference, all of them together, and the answer.

A `BuildSheet` and a `Profile` come in, a `Forecast` goes out: the predictions, the need of all of them together by
working point, how much of the trims' authority that takes and what is left, how far the fuel supply reaches, and why a
full-load run should wait, where it should. Nothing here has measured anything, and the forecast says so.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import inf, isfinite, prod
from typing import Any

from livewatch.build_sheet.boost import BOOST_SLOTS, without_boost
from livewatch.build_sheet.case import Case
from livewatch.build_sheet.differences import BOOSTED_SLOTS, Difference, differences, not_compared
from livewatch.build_sheet.fuel import FUEL_SLOTS
from livewatch.build_sheet.metering import METERING_SLOTS
from livewatch.build_sheet.parts import FuelInTank, FuelPump
from livewatch.build_sheet.physics import fuel_facts
from livewatch.build_sheet.points import CONDITIONS, FULL_LOAD, Point
from livewatch.build_sheet.prediction import Judge, Prediction
from livewatch.build_sheet.sheet import BuildSheet
from livewatch.build_sheet.supply import MOST_DUTY, Supply, supply_of
from livewatch.data.channels import in_words
from livewatch.profile.model import Profile

__all__ = ["Forecast", "TrimUse", "predict"]

SUPPLY_SLOTS = frozenset({"injectors", "fuel_pump", "fuel", "turbocharger"})


@dataclass(frozen=True, slots=True)
class TrimUse:
    """What a need takes of the trims at one working point.

    Attributes:
        need: predicted, plain ratio. Where `is_complete` is False it leaves out what is of unknown size, which may add
            to it or take from it.
        long_share: of the long term trim's limit on that side, 1 where it is all taken; infinite where it has none.
        share: of both trims together. left: need that both could still make up beyond it, in % of need (negative where
            they pin).
    """

    condition: str
    need: float
    is_complete: bool
    long_share: float
    share: float
    left: float

    def to_json(self) -> dict[str, Any]:
        """As documented for `livewatch check --json`."""
        return {
            "condition": self.condition,
            "need": round(self.need, 4),
            "need_complete": self.is_complete,
            "long_term_trim_used": round(self.long_share * 100.0, 1) if isfinite(self.long_share) else None,
            "both_trims_used": round(self.share * 100.0, 1) if isfinite(self.share) else None,
            "left": round(self.left, 1),
            "unit": "%",
        }


@dataclass(frozen=True, slots=True)
class Forecast:
    """All that a sheet foretells on one engine.

    Attributes:
        predictions: one or more for each difference, in the order of the slots.
        authority: by working point.
        refusals: why no full-load run should be made yet; empty where nothing on the sheet speaks against it.
        not_compared: slots of which the sheet does not state the fitted part.
        cautions: contradictions and what else to look at.
        points: the working points, with what was assumed.
    """

    sheet: BuildSheet
    profile: str
    predictions: tuple[Prediction, ...]
    authority: tuple[TrimUse, ...]
    supply: Supply
    refusals: tuple[str, ...]
    not_compared: tuple[str, ...]
    cautions: tuple[str, ...]
    points: Mapping[str, Point]

    @property
    def is_full_load_advised_against(self) -> bool:
        """Whether a full-load run should wait."""
        return bool(self.refusals)

    @property
    def uncorrected_lambda(self) -> tuple[float, float]:
        """Lambda at full load as commanded, and as it would be where no trim is carried over."""
        commanded = self.points[FULL_LOAD].commanded_lambda
        return commanded, commanded * next(use.need for use in self.authority if use.condition == FULL_LOAD)

    @property
    def assumed(self) -> dict[str, tuple[str, ...]]:
        """By working point, what the sheet does not say and was taken from common practice."""
        return {name: point.assumed for name, point in self.points.items() if point.assumed}

    def to_json(self) -> dict[str, Any]:
        """The object that `livewatch check --json` prints."""
        return {
            "check": 1,
            "sheet": self.sheet.name,
            "profile": self.profile,
            "full_load": {"advised_against": self.is_full_load_advised_against, "reasons": list(self.refusals)},
            "differences": [prediction.to_json() for prediction in self.predictions],
            "authority": [use.to_json() for use in self.authority],
            "full_load_lambda": {
                "commanded": self.uncorrected_lambda[0],
                "without_trims": round(self.uncorrected_lambda[1], 4),
            },
            "fuel_supply": self.supply.to_json(),
            "not_compared": list(self.not_compared),
            "cautions": list(self.cautions),
            "assumed": {name: list(what) for name, what in self.assumed.items()},
        }


def predict(sheet: BuildSheet, profile: Profile) -> Forecast:
    """What `sheet` foretells for the engine of `profile`.

    Raises:
        MistakesError: the profile says nothing about the engine.
    """
    case = Case.of(sheet, profile)
    found = [prediction for difference in differences(sheet) for prediction in _asked(difference, case)]
    supply = supply_of(case)
    authority = tuple(_authority(condition, found, case.judge) for condition in CONDITIONS)
    refusals = [f"{in_words(p.slot)}: {p.refuse}" for p in found if p.refuse]
    refusals += _together(authority, found, case)
    refusals += _short_supply(supply, sheet)
    left_out = tuple(not_compared(sheet, case.engine))
    return Forecast(
        sheet=sheet,
        profile=profile.name,
        predictions=tuple(found),
        authority=authority,
        supply=supply,
        refusals=tuple(refusals),
        not_compared=left_out,
        cautions=tuple(_cautions(case)),
        points=case.points,
    )


def _asked(difference: Difference, case: Case) -> Iterable[Prediction]:
    if difference.slot in BOOSTED_SLOTS and not case.boosted:
        return without_boost(difference, case)
    return {**METERING_SLOTS, **FUEL_SLOTS, **BOOST_SLOTS}[difference.slot](difference, case)


def _need_of_all(predictions: Sequence[Prediction], condition: str) -> float:
    """Need of all differences at once: factors multiply; a dead time error adds to a pulse that is shorter by what the
    meter reads too little."""
    known = [p for p in predictions if condition in p.need]
    dead = sum(p.need[condition] - 1.0 for p in known if p.cause == "injector_dead_time")
    metering = prod(p.need[condition] for p in known if p.family == "metering")
    return prod(p.need[condition] for p in known if p.cause != "injector_dead_time") + dead * metering


def _authority(condition: str, predictions: Sequence[Prediction], judge: Judge) -> TrimUse:
    need = _need_of_all(predictions, condition)
    high = need >= 1.0
    long, both = (judge.long[high], judge.limit[high])
    complete = not any(p.is_unknown_need for p in predictions)
    left = (both / need - 1.0) * 100.0 if high else (1.0 - both / need) * 100.0
    return TrimUse(condition, need, complete, _share(need, long), _share(need, both), left)


def _share(need: float, limit: float) -> float:
    if need == 1.0:
        return 0.0
    return (need - 1.0) / (limit - 1.0) if limit != 1.0 else inf


def _together(authority: Sequence[TrimUse], predictions: Sequence[Prediction], case: Case) -> list[str]:
    """What only the sum of all differences forbids."""
    if sum(bool(p.need) for p in predictions) < 2 or any(p.refuse and p.need for p in predictions):
        return []
    reason = case.judge.refusal({use.condition: use.need for use in authority})
    return [f"all differences together: {reason}"] if reason else []


def _short_supply(supply: Supply, sheet: BuildSheet) -> list[str]:
    changed = SUPPLY_SLOTS & set(sheet.fitted)
    if supply.headroom is None or supply.limit is None or supply.headroom >= 0.0:
        return []
    if not changed and not supply.is_air_stated:
        return []
    name, flow = supply.limit
    brings = f"injectors bring {flow:.1f} g/s at {MOST_DUTY * 100.0:.0f} % duty"
    if name != "injectors":
        brings = f"{name} brings {flow:.1f} g/s"
    return [
        f"fuel supply: {supply.air:.0f} g/s of air take {supply.fuel:.1f} g/s of fuel, and the {brings}: beyond "
        f"{supply.air_reach:.0f} g/s of air the engine runs lean"
    ]


def _cautions(case: Case) -> Iterable[str]:
    stated = case.calibrated("fuel", FuelInTank)
    facts = None if stated is None else fuel_facts(stated)
    if facts is not None and abs(facts.ratio / case.engine.stoichiometric - 1.0) > 0.01:
        yield (
            f"The sheet says calibrated for {stated} (stoichiometric {facts.ratio:.2f}), the profile says "
            f"{case.engine.fuel} ({case.engine.stoichiometric:.2f}): one of them is wrong, and lambda is judged by the "
            "profile's."
        )
    full = case.points[FULL_LOAD]
    for side, pump in (
        ("calibrated", case.calibrated("fuel_pump", FuelPump)),
        ("fitted", case.fitted("fuel_pump", FuelPump)),
    ):
        if pump is not None and pump.set_pressure and pump.referenced_to and case.across(pump, full.manifold) is None:
            yield (
                f"The {side} pump's set pressure of {pump.set_pressure} above the {pump.referenced_to} leaves nothing "
                f"across the injectors at full load ({full.manifold:g} kPa absolute): one of these numbers is wrong."
            )
    if not full.is_stated and case.boosted:
        yield (
            "The sheet does not state boost at full load (working_points: full_load: manifold_pressure); "
            f"{full.manifold:g} kPa absolute is taken, about the most that is plausible."
        )
