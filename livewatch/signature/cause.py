"""A cause as it was judged on one drive, in words and engineering units: what it means to a person with tools.

A `Judged` cause comes in, with the observations it was fitted to; a `Cause` goes out: title, estimates with their 95 %
intervals, what speaks for and against it, and what would settle it.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, isnan
from typing import Any

import numpy as np

from livewatch.signature.causes.facts import Facts
from livewatch.signature.causes.hypothesis import Grounds, Judged
from livewatch.signature.causes.leak_sizes import lost_in_pull
from livewatch.signature.causes.registry import HYPOTHESES
from livewatch.signature.estimates import Estimate, band_of
from livewatch.signature.ranking import Ranking

__all__ = ["Cause", "describe"]

DECIBANS = 10.0 / 2.302585092994046
"""A weight of evidence in decibans: ten times the decimal logarithm of the Bayes factor (I. J. Good's unit)."""


@dataclass(frozen=True, slots=True)
class Cause:
    """One possible cause.

    Attributes:
        name, family, title, short: what; `short` in 27 characters at the most.
        estimates: the main one first; empty when nothing can be measured of it.
        weight: evidence for it against nothing being wrong, decibans.
        probability: of all causes considered, 0..1.
        largest_need: the largest share of need it takes where the car was driven, with its 95 % interval.
        reasons_for, reasons_against: sentences.
        settles: what would settle it, without driving.
        tie_with: names of causes of other families that the data cannot tell from it.
    """

    name: str
    family: str
    title: str
    short: str
    estimates: tuple[Estimate, ...]
    weight: float
    probability: float
    largest_need: Estimate | None
    reasons_for: tuple[str, ...]
    reasons_against: tuple[str, ...]
    settles: str
    tie_with: tuple[str, ...]

    @property
    def size(self) -> str:
        """The main estimate in words."""
        return str(self.estimates[0]) if self.estimates else ""

    def to_json(self) -> dict[str, Any]:
        """Plain data."""
        main = self.estimates[0].to_json() if self.estimates else {}
        return {
            "family": self.family,
            "cause": self.name,
            "title": self.title,
            "estimate": main.get("value"),
            "quantity": main.get("quantity"),
            "unit": main.get("unit"),
            "interval_95": main.get("interval_95"),
            "estimates": [estimate.to_json() for estimate in self.estimates],
            "weight_of_evidence": round(self.weight, 2),
            "weight_unit": "decibans",
            "probability": round(self.probability, 4),
            "largest_need": None if self.largest_need is None else self.largest_need.to_json(),
            "reasons_for": list(self.reasons_for),
            "reasons_against": list(self.reasons_against),
            "what_would_settle_it": self.settles,
            "tie_with": list(self.tie_with),
        }


def describe(ranking: Ranking, judged: Judged, grounds: Grounds, facts: Facts) -> Cause:
    """A judged cause in words."""
    hypothesis = HYPOTHESES[judged.cause]
    tied = {ranking.causes[0].cause, *ranking.tie} if ranking.tie else set()
    others = [name for name in (ranking.causes[0].cause, *ranking.tie) if name != judged.cause]
    return Cause(
        judged.cause,
        judged.family,
        hypothesis.title,
        hypothesis.short,
        tuple(hypothesis.estimates(judged, grounds)),
        judged.fit.weight * DECIBANS,
        judged.probability,
        _need_effect(judged, grounds),
        tuple(hypothesis.reasons_for(judged, facts)),
        tuple(hypothesis.reasons_against(judged, facts)),
        hypothesis.settles,
        tuple(others) if judged.cause in tied else (),
    )


def _need_effect(judged: Judged, grounds: Grounds) -> Estimate | None:
    """The largest share of need that the cause takes in any region that was driven, %; None for boost."""
    seen = grounds.seen
    lost = lost_in_pull(grounds.responses) if judged.cause == "pressure_leak" else None
    if lost is not None:
        # The computer meters fuel for air that the engine does not get.
        return Estimate("largest need", -lost.value, "%", -lost.high, -lost.low)
    need = seen.on("need") > 0.0
    if not judged.variants or not need.any() or isnan(judged.fit.size):
        return None
    sizes = np.array(band_of(judged.fit))[:, None]
    totals = np.zeros((3, int(need.sum())))
    for variant, (_, share) in zip(judged.variants, judged.shapes, strict=True):
        effect = variant.effect
        totals += share * effect.mean(np.maximum(sizes, effect.low))[:, need]
    place = int(np.argmax(np.abs(totals[0])))
    figures = [100.0 * (exp(float(total)) - 1.0) for total in totals[:, place]]
    return Estimate("largest need", figures[0], "%", min(figures[1:]), max(figures[1:]))
