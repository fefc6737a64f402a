"""After a drive: what the build sheet predicted beside what the drive measured, cause by cause.

Predictions and measured causes come in; `Comparison`s go out: one for each predicted cause, then one for each measured
cause that nothing on the sheet foretold.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import prod
from typing import Any, Literal

from livewatch.build_sheet.differences import words_of
from livewatch.build_sheet.physics import reading_error
from livewatch.build_sheet.points import FULL_LOAD
from livewatch.build_sheet.prediction import DEAD_TIME_ERROR, SUPPLY_ENDS, Prediction
from livewatch.signature.cause import Cause
from livewatch.signature.estimates import plain

__all__ = ["Agreement", "Comparison", "MeasuredCause", "compare"]

Agreement = Literal["agrees", "differs", "now measured", "not seen", "not predicted", "cannot say"]

TOLERANCE: Mapping[str, float] = {"1": 0.03, "%": 3.0, "ms": 0.08, "g/s": 1.0}
"""By unit, how far apart sheet and drive may be although both are right: parts, fuel and weather (common practice)."""
LIKELY = 0.2
"""Probability below which a measured cause does not count, where the assessment gives one."""


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
            "sentence": self.sentence,
        }


@dataclass(frozen=True, slots=True)
class MeasuredCause:
    """A cause that a drive showed: its main estimate with unit and 95 % interval, and its probability; None where not
    known."""

    family: str
    cause: str
    title: str
    quantity: str = ""
    value: float | None = None
    unit: str | None = None
    interval: tuple[float, float] | None = None
    probability: float | None = None

    @classmethod
    def of(cls, cause: Cause) -> MeasuredCause:
        """From what the signature found."""
        if not cause.estimates:
            return cls(cause.family, cause.name, cause.title, probability=cause.probability)
        main = cause.estimates[0]
        low, high = plain(main.low), plain(main.high)
        interval = None if low is None or high is None else (low, high)
        value = plain(main.value)
        return cls(cause.family, cause.name, cause.title, main.quantity, value, main.unit, interval, cause.probability)

    @property
    def counts(self) -> bool:
        """Whether it is a cause, and likely enough where that is said."""
        return self.family != "none" and (self.probability is None or self.probability >= LIKELY)

    @property
    def size(self) -> str:
        """In words, with a space in front."""
        if self.value is None:
            return ""
        unit = "" if self.unit in (None, "1") else f" {self.unit}"
        ends = "" if self.interval is None else f", 95 % {self.interval[0]:.3g} to {self.interval[1]:.3g}{unit}"
        quantity = f"{self.quantity} " if self.quantity else ""
        return f" ({quantity}{self.value:.3g}{unit}{ends})"


def compare(predictions: Sequence[Prediction], measured: Sequence[MeasuredCause], is_decided: bool) -> list[Comparison]:
    """Every predicted cause beside its measurement, then what was measured and not predicted. `is_decided`: whether the
    drive was enough for a verdict."""
    seen = [one for one in measured if one.counts]
    groups: dict[tuple[str, str], list[Prediction]] = {}
    for prediction in predictions:
        if prediction.family != "none":
            groups.setdefault((prediction.family, prediction.cause), []).append(prediction)
    answered: set[str] = set()
    compared = []
    for (family, cause), group in groups.items():
        found = next((one for one in seen if one.cause == cause), None)
        if found is None:
            # Another cause of the same family, unless it answers to another prediction by its own name.
            found = next((one for one in seen if one.family == family and (family, one.cause) not in groups), None)
        if found is not None:
            answered.add(found.family)
        compared.append(_compared(family, cause, group, found, is_decided))
    compared += [_unforetold(one) for one in seen if one.family not in answered]
    return compared


def _compared(
    family: str, cause: str, group: Sequence[Prediction], found: MeasuredCause | None, is_decided: bool
) -> Comparison:
    what = " and ".join(dict.fromkeys(words_of(prediction.slot) for prediction in group))
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
        end = "the drive shows nothing of it" if is_decided else "the drive is not enough to show it"
        agreement: Agreement = "not seen" if is_decided else "cannot say"
        return Comparison(what, family, cause, predicted, None, None, None, agreement, f"{start}; {end}.")
    agreement = _agreement(cause, expected, found)
    if agreement == "now measured" and sizes:
        # The sheet has numbers, but of another kind: boost before the controller corrects, for one.
        agreement = "cannot say"
    words = {"agrees": "as foretold", "differs": "not as foretold", "now measured": "the sheet had no number for it"}
    end = f"the drive shows that {found.title}{found.size}"
    end += f": {words[agreement]}" if agreement in words else ""
    if agreement == "cannot say" and found.cause != cause:
        end += ", which is of the same family"
    return Comparison(
        what, family, cause, predicted, found.value, found.unit, found.interval, agreement, f"{start}; {end}."
    )


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


def _unforetold(found: MeasuredCause) -> Comparison:
    sentence = f"the drive shows that {found.title}{found.size}, which nothing on the build sheet foretells."
    return Comparison(
        "not on the sheet", found.family, found.cause, None, found.value, found.unit, found.interval, "not predicted",
        sentence,
    )  # fmt: skip
