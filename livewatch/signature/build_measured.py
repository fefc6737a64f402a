"""After a drive: what the build sheet predicted, beside what was measured.

The sheet's forecast and the assessment's causes come in; `Beside`s go out: need predicted by all numbers together
beside need measured, at idle and at full load, and each difference on the sheet beside the cause that answers to it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import isnan, nan
from typing import Any

from livewatch.profile.model import Profile
from livewatch.signature.build_sheet import BuildSheet
from livewatch.signature.build_sheet_forecast import predict
from livewatch.signature.causes import Cause
from livewatch.signature.coverage import Coverage

__all__ = ["Beside", "set_beside"]

AGREES = 0.04
"""Share of need by which prediction and measurement may differ: parts, fuel and weather do that much."""
LIKELY = 0.2
"""Probability from which a cause counts as what the drive shows."""
LOADS = {"idle": "idle", "cruise": "light load", "full load": "high load"}
"""Working points of the forecast, and the load they are measured at."""


@dataclass(frozen=True, slots=True)
class Beside:
    """One prediction beside its measurement.

    Attributes:
        what: a working point (all numbers together), a slot, or `not on the sheet`.
        predicted, measured: need (1 is none), None where there is none.
        agrees: None where that cannot be said.
    """

    what: str
    predicted: float | None
    measured: float | None
    agrees: bool | None
    sentence: str

    def to_json(self) -> dict[str, Any]:
        """Plain data."""
        return {
            "what": self.what,
            "predicted_need": None if self.predicted is None else round(self.predicted, 4),
            "measured_need": None if self.measured is None else round(self.measured, 4),
            "agrees": self.agrees,
            "sentence": self.sentence,
        }


def set_beside(sheet: BuildSheet, profile: Profile, causes: Sequence[Cause], coverage: Coverage) -> Iterator[Beside]:
    """Every prediction beside its measurement.

    Raises:
        MistakesError: the profile says nothing about the engine.
    """
    forecast = predict(sheet, profile)
    if forecast.predictions:
        for use in forecast.authority:
            if use.condition in LOADS:
                yield _need(use.condition, use.need, use.is_complete, _measured(coverage, LOADS[use.condition]))
    shown = [cause for cause in causes if cause.family != "none" and cause.probability >= LIKELY]
    answered: set[str] = set()
    for one in forecast.predictions:
        words = one.slot.replace("_", " ")
        found = next((cause for cause in shown if cause.family == one.family), None)
        if found is not None:
            answered.add(found.name)
            sentence = f"{words}: {one.found}; the drive shows that {found.title} ({found.size})."
            yield Beside(one.slot, one.need.get("full load"), None, True, sentence)
        else:
            sentence = f"{words}: {one.found}; the drive shows nothing that answers to it."
            yield Beside(one.slot, one.need.get("full load"), None, None, sentence)
    for cause in shown:
        if cause.name not in answered:
            sentence = f"the drive shows that {cause.title} ({cause.size}), to which nothing on the sheet answers."
            yield Beside("not on the sheet", None, None, False, sentence)


def _measured(coverage: Coverage, load: str) -> float:
    for group in coverage.groups:
        if group.name == load:
            known = [need for need in group.need if not isnan(need)]
            return sum(known) / len(known) if known else nan
    return nan


def _need(condition: str, predicted: float, complete: bool, measured: float) -> Beside:
    least = "" if complete else "at least "
    said = f"{condition}: predicted need {least}{100.0 * (predicted - 1.0):+.1f} %"
    if isnan(measured):
        return Beside(condition, predicted, None, None, f"{said}, not measured.")
    agrees = abs(predicted - measured) <= AGREES if complete else None
    end = {True: ": as predicted", False: ": not as predicted", None: ""}[agrees]
    return Beside(condition, predicted, measured, agrees, f"{said}, measured {100.0 * (measured - 1.0):+.1f} %{end}.")
