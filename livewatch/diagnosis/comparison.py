"""After a drive: what the build sheet predicted beside what the drive measured, cause by cause.

A forecast and what a drive measured come in; `Comparison`s go out: one for each predicted cause, then one for each
measured cause that nothing on the sheet foretold. Where both cannot be right it is said, and not resolved: who wrote
the sheet may be wrong, the drive may have been with other parts, and the part itself decides.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from math import prod
from typing import Any, Literal

from livewatch.build_sheet.forecast import Forecast
from livewatch.build_sheet.physics import reading_error
from livewatch.build_sheet.points import CONDITIONS, FULL_LOAD
from livewatch.build_sheet.prediction import DEAD_TIME_ERROR, SUPPLY_ENDS, Prediction
from livewatch.data.channels import in_words
from livewatch.signature.cause import NEED, Cause
from livewatch.signature.estimates import plain

__all__ = ["Agreement", "Comparison", "Measured", "MeasuredCause", "compare", "driven_at"]

Agreement = Literal["agrees", "differs", "now measured", "not seen", "not predicted", "cannot say"]

TOLERANCE: Mapping[str, float] = {"1": 0.03, "%": 3.0, "ms": 0.08, "g/s": 1.0}
"""By unit, how far apart sheet and drive may be although both are right: parts, fuel and weather (common practice)."""
LIKELY = 0.2
"""Probability below which a measured cause does not count, where the assessment gives one."""
MADE_BY: Mapping[str, tuple[str, ...]] = {
    "meter_scale": ("intake", "air_meter_housing"),
    "meter_shape": ("intake", "air_meter_housing"),
    "injector_flow": ("injectors", "fuel_pump", "fuel"),
    "injector_dead_time": ("injectors",),
    "one_bank": ("injectors",),
    "fuel_supply": ("fuel_pump",),
    "boost_control": ("turbocharger", "wastegate_actuator", "boost_control_solenoid", "intercooler"),
    "boost_creep": ("turbocharger", "wastegate_actuator", "downpipe"),
    "underboost": ("turbocharger", "wastegate_actuator", "boost_control_solenoid", "downpipe"),
}
"""The slots of a sheet whose parts make a cause; a leak is no part, and nothing on a sheet speaks of it."""
CONTRADICTED = "Sheet and drive cannot both be right:"
_LOADS: Mapping[str, tuple[str, ...]] = {"idle": ("idle",), "cruise": ("light load", "middle load")}
"""The loads of a drive that are those a need is foretold for; full load is the high one."""


@dataclass(frozen=True, slots=True)
class Comparison:
    """One cause, predicted and measured.

    Attributes:
        what: the slots it comes from, in words, or `not on the sheet`.
        family, cause: as the signature names them.
        predicted, measured: in `unit`; None where there is no number.
        interval: 95 %, of what was measured.
        agreement: `now measured` where the sheet gave no number, `not seen` where the drive shows no such cause,
            `cannot say` where the numbers are not of one kind.
        contradicts: whether sheet and drive cannot both be right.
    """

    what: str
    family: str
    cause: str
    predicted: float | None
    measured: float | None
    unit: str | None
    interval: tuple[float, float] | None
    agreement: Agreement
    sentence: str
    contradicts: bool = False

    def to_json(self) -> dict[str, Any]:
        """Plain data."""
        return {
            "what": self.what,
            "family": self.family,
            "cause": self.cause,
            "predicted": None if self.predicted is None else round(self.predicted, 4),
            "measured": self.measured,
            "unit": self.unit,
            "interval_95": None if self.interval is None else list(self.interval),
            "agreement": self.agreement,
            "contradicts": self.contradicts,
            "sentence": self.sentence,
        }


@dataclass(frozen=True, slots=True)
class MeasuredCause:
    """A cause that a drive showed: its main estimate with unit and 95 % interval, its probability, and whether it is
    established; None where not known."""

    family: str
    cause: str
    title: str
    quantity: str = ""
    value: float | None = None
    unit: str | None = None
    interval: tuple[float, float] | None = None
    probability: float | None = None
    established: bool | None = None

    @classmethod
    def of(cls, cause: Cause) -> MeasuredCause:
        """From what the signature found."""
        said = cls(cause.family, cause.name, cause.title, probability=cause.probability, established=cause.established)
        if not cause.estimates:
            return said
        main = cause.estimates[0]
        low, high = plain(main.low), plain(main.high)
        interval = None if low is None or high is None else (low, high)
        return replace(said, quantity=main.quantity, value=plain(main.value), unit=main.unit, interval=interval)

    @property
    def counts(self) -> bool:
        """Whether it is a cause, and likely enough where that is said."""
        return self.family != "none" and (self.probability is None or self.probability >= LIKELY)

    @property
    def is_sure(self) -> bool:
        """Whether it is there beyond doubt, where that is said."""
        return self.established is not False

    @property
    def shown(self) -> str:
        """What the drive says of it, in words."""
        return f"the drive {'shows' if self.is_sure else 'leaves it open'} that {self.title}"

    @property
    def size(self) -> str:
        """In words, with a space in front."""
        if self.value is None:
            return ""
        unit = "" if self.unit in (None, "1") else f" {self.unit}"
        ends = "" if self.interval is None else f", 95 % {self.interval[0]:.3g} to {self.interval[1]:.3g}{unit}"
        quantity = f"{self.quantity} " if self.quantity else ""
        return f" ({quantity}{self.value:.3g}{unit}{ends})"


@dataclass(frozen=True, slots=True)
class Measured:
    """What a drive measured: its causes; whether it was enough for a verdict (`is_decided`); and at which of the
    working points a need is foretold for it was driven enough to see one (`driven`)."""

    causes: Sequence[MeasuredCause]
    is_decided: bool
    driven: Collection[str] = tuple(CONDITIONS)


def driven_at(enough: Mapping[str, bool]) -> frozenset[str]:
    """The working points that were driven, from whether each load was driven enough."""
    return frozenset(
        condition for condition in CONDITIONS if any(enough.get(load) for load in _LOADS.get(condition, ("high load",)))
    )


def compare(forecast: Forecast, drive: Measured) -> list[Comparison]:
    """Every predicted cause beside its measurement, then what was measured and not predicted."""
    seen = [one for one in drive.causes if one.counts]
    groups: dict[tuple[str, str], list[Prediction]] = {}
    for prediction in forecast.predictions:
        if prediction.family != "none":
            groups.setdefault((prediction.family, prediction.cause), []).append(prediction)
    answered: list[MeasuredCause] = []
    compared = []
    for (family, cause), group in groups.items():
        found = next((one for one in seen if one.cause == cause), None)
        if found is None:
            # Another cause of the same family, unless it answers to another prediction by its own name.
            found = next((one for one in seen if one.family == family and (family, one.cause) not in groups), None)
        answered += [found] if found is not None else []
        compared.append(_compared(family, cause, group, found, drive, forecast))
    told = {one.family for one in answered}
    left = [one for one in seen if one not in answered and (one.established or one.family not in told)]
    return compared + [_unforetold(one, forecast) for one in left]


def _compared(
    family: str, cause: str, group: Sequence[Prediction], found: MeasuredCause | None, drive: Measured, of: Forecast
) -> Comparison:
    what = " and ".join(dict.fromkeys(in_words(prediction.slot) for prediction in group))
    expected = _expected(cause, group)
    sizes = [(name, size) for prediction in group for name, size in prediction.size.items()]
    said = " of unknown size"
    if expected is not None:
        said = f": {_figure(*expected)}"
    elif sizes:
        said = f": {sizes[0][0]} {_figure(*sizes[0][1])}"
    start = f"{what}: the build sheet foretells {cause.replace('_', ' ')}{said}"
    predicted = None if expected is None else expected[0]
    if found is None:
        end = "the drive shows nothing of it" if drive.is_decided else "the drive is not enough to show it"
        agreement: Agreement = "not seen" if drive.is_decided else "cannot say"
        contradicts = drive.is_decided and _must_show(group, drive.driven, of)
        end += f". {CONTRADICTED} the part is not on the car, or its calibration knows it" if contradicts else ""
        return Comparison(
            what, family, cause, predicted, None, None, None, agreement, f"{start}; {end}.", contradicts
        )  # fmt: skip
    agreement = _agreement(cause, expected, found)
    if agreement == "now measured" and sizes:
        # The sheet has numbers, but of another kind: boost before the controller corrects, for one.
        agreement = "cannot say"
    words = {"agrees": "as foretold", "differs": "not as foretold", "now measured": "the sheet had no number for it"}
    end = f"{found.shown}{found.size}"
    end += f": {words[agreement]}" if agreement in words else ""
    if agreement == "cannot say" and found.cause != cause:
        end += ", which is of the same family"
    contradicts = agreement == "differs" and found.is_sure
    end += f". {CONTRADICTED} the part is another one, or a number on the sheet is wrong" if contradicts else ""
    return Comparison(
        what, family, cause, predicted, found.value, found.unit, found.interval, agreement, f"{start}; {end}.",
        contradicts,
    )  # fmt: skip


def _must_show(group: Sequence[Prediction], driven: Collection[str], of: Forecast) -> bool:
    """Whether a drive at these working points has to show what is foretold: it takes more than everyday adaptation at
    one of them, and what else is foretold does not take that away again."""
    for condition in driven:
        alone = prod(prediction.need.get(condition, 1.0) for prediction in group)
        together = next(use.need for use in of.authority if use.condition == condition)
        if min(abs(alone - 1.0), abs(together - 1.0)) * 100.0 >= NEED:
            return not any(prediction.is_unknown_need for prediction in of.predictions)
    return False


def _figure(value: float, unit: str) -> str:
    return f"{value:.3g}" if unit == "1" else f"{value:.3g} {unit}"


def _expected(cause: str, group: Sequence[Prediction]) -> tuple[float, str] | None:
    """What all predictions of one cause amount to, in the unit the signature measures that cause in; None where one of
    them has no number."""
    if cause == "injector_dead_time" and all(DEAD_TIME_ERROR in prediction.size for prediction in group):
        return sum(prediction.size[DEAD_TIME_ERROR][0] for prediction in group), "ms"
    if any(prediction.is_unknown_need for prediction in group):
        return None
    need = prod(prediction.need.get(FULL_LOAD, 1.0) for prediction in group)
    match cause:
        case "meter_scale":
            return reading_error(need) * 100.0, "%"
        case "injector_flow":
            return 1.0 / need, "1"
        case "fuel_supply":
            ends = [p.size[SUPPLY_ENDS][0] for p in group if SUPPLY_ENDS in p.size]
            return (min(ends), "g/s") if ends else None
    return None


def _agreement(cause: str, expected: tuple[float, str] | None, found: MeasuredCause) -> Agreement:
    if found.cause != cause or found.value is None:
        return "cannot say"
    if expected is None:
        return "now measured"
    value, unit = expected
    if unit != found.unit:
        return "cannot say"
    slack = TOLERANCE[unit]
    low, high = found.interval or (found.value, found.value)
    return "agrees" if low - slack <= value <= high + slack else "differs"


def _unforetold(found: MeasuredCause, of: Forecast) -> Comparison:
    spoken_of = {*of.sheet.calibrated_for, *of.sheet.fitted, *of.sheet.same, *of.not_compared}
    slots = [slot for slot in MADE_BY.get(found.cause, ()) if slot in spoken_of]
    changed = {prediction.slot for prediction in of.predictions}
    unsaid = [slot for slot in slots if slot in of.not_compared]
    what, contradicts = "not on the sheet", False
    sentence = f"{found.shown}{found.size}, which nothing on the build sheet foretells"
    if unsaid:
        sentence += f"; it does not say what is fitted: {_listed(unsaid)}"
    elif slots and not changed & set(slots):
        what, contradicts = _listed(slots), found.is_sure
        start = f"{what}: by the build sheet {'as' if len(slots) > 1 else 'the one'} calibrated for"
        sentence = f"{start}; {found.shown}{found.size}"
        if contradicts:
            sentence += f". {CONTRADICTED} another part is on the car, or one that does not do what it should"
    return Comparison(
        what, found.family, found.cause, None, found.value, found.unit, found.interval, "not predicted",
        f"{sentence}.", contradicts,
    )  # fmt: skip


def _listed(slots: Sequence[str]) -> str:
    return " and ".join(map(in_words, slots))
