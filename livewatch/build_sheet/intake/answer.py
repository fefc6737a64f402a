"""What a build means as far as it was told, and never more.

An `Intake` comes in, an `Answer` goes out. Whatever is not known leaves the answer open: `no` needs every part that
matters to be known and found harmless, `yes` one difference that needs another calibration whatever the rest is, and
full load is only said to be free of objections when nothing is unknown. Where the engine itself is not known, the
answer is what holds for every engine it may be.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import product
from typing import Literal

from livewatch.build_sheet.forecast import Forecast, predict
from livewatch.build_sheet.intake.questions import UNKNOWN
from livewatch.build_sheet.intake.told import Intake
from livewatch.build_sheet.prediction import Prediction, Recalibrate, Severity
from livewatch.profile.engine_and_authority import USUAL_AUTHORITY
from livewatch.profile.fuels import stoichiometric_ratio
from livewatch.profile.model import Engine, Profile, TableMapping

__all__ = ["Answer", "Consequence", "answer_of"]

FullLoad = Literal["advised against", "unknown", "nothing speaks against it"]
CYLINDER = (0.25, 0.75)
"""L of one cylinder, the smallest and the largest that road engines have, about; common practice."""
FUELS = ("gasoline E10", "gasoline E85")
"""What a calibration may be written for, where nobody says."""
_INDUCTIONS = ("turbocharged", "supercharged", "naturally_aspirated")
_SEVERITIES: tuple[Severity, ...] = ("none", "slight", "moderate", "serious")


@dataclass(frozen=True, slots=True)
class Consequence:
    """What one difference means: `is_sure` is False where it hangs on what the engine is, and that is not known."""

    prediction: Prediction
    recalibrate: Recalibrate
    is_sure: bool


@dataclass(frozen=True, slots=True)
class Answer:
    """Attributes:
    recalibrate: whether the parts need another calibration.
    full_load: whether a full-load run may be made.
    reasons: why it is advised against.
    consequences: of each difference.
    unknown: slots that matter and are not known.
    engine_known: whether it is known what kind of engine it is.
    """

    recalibrate: Recalibrate
    full_load: FullLoad
    reasons: tuple[str, ...]
    consequences: tuple[Consequence, ...]
    unknown: tuple[str, ...]
    engine_known: bool


def answer_of(intake: Intake) -> Answer:
    """The answer as far as it can be given."""
    sheet = intake.sheet()
    forecasts = [predict(sheet, profile) for profile in _profiles(intake)]
    unknown = tuple(slot for slot in intake.slots() if intake.said.get(slot, UNKNOWN) == UNKNOWN)
    words = [_recalibrate(forecast, bool(unknown)) for forecast in forecasts]
    engine_known = all(intake.fact(name) for name in ("induction", "air_metering"))
    consequences = tuple(_consequences(forecasts))
    is_open = unknown or not engine_known or any(one.recalibrate == "unknown" for one in consequences)
    full_load: FullLoad = "unknown" if is_open else "nothing speaks against it"
    return Answer(
        words[0] if len(set(words)) == 1 else "unknown",
        "advised against" if any(forecast.refusals for forecast in forecasts) else full_load,
        tuple(dict.fromkeys(_reasons(forecasts))),
        consequences,
        unknown,
        engine_known,
    )


def _recalibrate(forecast: Forecast, has_unknown: bool) -> Recalibrate:
    found = [prediction.recalibrate for prediction in forecast.predictions]
    if "yes" in found:
        return "yes"
    return "unknown" if has_unknown or "unknown" in found or forecast.refusals else "no"


def _reasons(forecasts: list[Forecast]) -> Iterator[str]:
    """Why full load is advised against; `it may be that` where another engine would have another reason, or none."""
    told: set[str] = set()
    for forecast in forecasts:
        for reason in forecast.refusals:
            if all(reason in one.refusals for one in forecasts):
                yield reason
            elif (about := reason.split(":")[0]) not in told:
                told.add(about)
                yield reason.replace(": ", ": it may be that ", 1)


def _consequences(forecasts: list[Forecast]) -> Iterator[Consequence]:
    """Each difference once: the most serious that it may be."""
    by_slot: dict[tuple[str, int], list[Prediction]] = {}
    for forecast in forecasts:
        counts: dict[str, int] = {}
        for prediction in forecast.predictions:
            number = counts[prediction.slot] = counts.get(prediction.slot, 0) + 1
            by_slot.setdefault((prediction.slot, number), []).append(prediction)
    for found in by_slot.values():
        worst = max(found, key=lambda one: _SEVERITIES.index(one.severity))
        words = {one.recalibrate for one in found}
        same = len({one.why for one in found}) == 1 and len(found) == len(forecasts)
        yield Consequence(worst, words.pop() if len(words) == 1 else "unknown", same)


def _profiles(intake: Intake) -> Iterator[Profile]:
    """The profile, or one for each engine it may be."""
    if intake.profile is not None:
        yield intake.profile
        return
    numbers = intake.sheet().engine.numbers
    inductions = [intake.fact("induction")] if intake.fact("induction") else list(_INDUCTIONS)
    meters = [intake.fact("air_metering")] if intake.fact("air_metering") else ["mass_air_flow", "speed_density"]
    cylinders = round(numbers["cylinders"].value) if "cylinders" in numbers else 4
    if "displacement" in numbers:
        litres = [numbers["displacement"].value]
        counts = [cylinders] if "cylinders" in numbers else [3, 8]
    else:
        litres, counts = [size * cylinders for size in CYLINDER], [cylinders]
    fuels = FUELS if intake.said.get("fuel.calibrated_for.name", UNKNOWN) == UNKNOWN else FUELS[:1]
    for induction, metering, size, count, fuel in product(inductions, meters, litres, counts, fuels):
        engine = Engine(size, count, induction, metering, fuel, stoichiometric_ratio(fuel))
        yield replace(_NOBODY, engine=engine)


_NOBODY = Profile(
    name="an engine without a profile",
    buses={},
    messages=(),
    diagnostics=(),
    channels=(),
    alarms=(),
    authority=USUAL_AUTHORITY,
    engine=None,
    tables=TableMapping(),
    figures=(),
    period=10_000_000,
    lead_up=0,
    sources={},
    text="",
)
"""With the usual limits of corrections."""
