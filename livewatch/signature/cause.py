"""A cause as it was judged on one drive, in words and engineering units: what it means to a person with tools.

A `Judged` cause comes in, with the observations it was fitted to; a `Cause` goes out: title, estimates with their 95 %
intervals, what speaks for and against it, and what would settle it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import exp, isnan, log, nan, sqrt
from typing import Any

import numpy as np

from livewatch.signature.causes.facts import Facts
from livewatch.signature.causes.fuel_supply import FALLING
from livewatch.signature.causes.hypothesis import Grounds, Hypothesis, Judged, System
from livewatch.signature.causes.leak_sizes import lost_in_pull
from livewatch.signature.causes.registry import HYPOTHESES
from livewatch.signature.causes.vacuum_leak import TAKEN_AWAY
from livewatch.signature.estimates import Estimate, band_of
from livewatch.signature.evidence.readings import Column, Mask
from livewatch.signature.ranking import MINOR, NEEDLESS, SURE, Ranking

__all__ = ["Cause", "describe", "effects_of"]

EVIDENCE = 5.0
"""Decibans that establish a cause, beside all others: 3 to 1, substantial evidence by the scale of Jeffreys (Theory of
Probability, 1961, appendix B; from memory)."""
NEED, NEED_SURELY = 8.0, 5.0
"""Per cent of need that a misfit takes at least, and the lower end of its interval; common practice."""
BOOST, BOOST_SURELY = 8.0, 4.0
"""The same in per cent of commanded boost."""
LEANS, LOADED = 2.0, 20.0
"""Per cent of need under load from which a cause makes alarms of a lean mixture; g/s of air for each litre of
displacement from which that is load. Common practice."""
DECIBANS = 10.0 / 2.302585092994046
"""A weight of evidence in decibans: ten times the decimal logarithm of the Bayes factor (I. J. Good's unit)."""


@dataclass(frozen=True, slots=True)
class Cause:
    """One possible cause.

    Attributes:
        name, family, title: what; `brief` the title without the parts it names, `short` in 27 characters at the most.
        estimates: the main one first; empty when nothing can be measured of it.
        weight: evidence for it against its not being there beside what else is, decibans.
        probability: that it is there, 0..1.
        largest_need: the largest share of need it takes where the car was driven, with its 95 % interval.
        reasons_for, reasons_against: sentences.
        settles: what would settle it, without driving.
        tie_with, ties: names and titles of causes of other families that the data cannot tell from it.
        established: whether what was seen is three times more probable with it than without, and it is there three
            times as probably as not.
        large: whether it takes more than everyday adaptation.
        systems, danger, explains: as in `Hypothesis`.
        leans: per cent of need that it takes under load, above 0 lean; NaN where that was not driven.
    """

    name: str
    family: str
    title: str
    brief: str
    short: str
    estimates: tuple[Estimate, ...]
    weight: float
    probability: float
    largest_need: Estimate | None
    reasons_for: tuple[str, ...]
    reasons_against: tuple[str, ...]
    settles: str
    tie_with: tuple[str, ...]
    ties: tuple[str, ...]
    established: bool
    large: bool
    systems: tuple[System, ...]
    danger: int
    explains: tuple[str, ...]
    leans: float

    def does_explain(self, alarm: str) -> bool:
        """Whether it raises an alarm of this name. What makes no boost raises one of mixture only where it leans."""
        if not any(alarm.startswith(start) for start in self.explains):
            return False
        return "boost" in self.systems or alarm.startswith("rail_") or not self.leans < LEANS

    @property
    def is_carried(self) -> bool:
        """Whether it makes a lean mixture for a moment as the throttle opens: see `Hypothesis.carried`."""
        taken = 0.0 if self.largest_need is None else self.largest_need.value
        return self.large and taken * HYPOTHESES[self.name].carried > 0.0

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
            "weight_of_evidence": round(self.weight, 2) + 0.0,
            "weight_unit": "decibans",
            "probability": round(self.probability, 4),
            "largest_need": None if self.largest_need is None else self.largest_need.to_json(),
            "reasons_for": list(self.reasons_for),
            "reasons_against": list(self.reasons_against),
            "what_would_settle_it": self.settles,
            "tie_with": list(self.tie_with),
            "established": self.established,
        }


def describe(ranking: Ranking, judged: Judged, grounds: Grounds, facts: Facts, enough: bool) -> Cause:
    """A judged cause in words. `enough`: whether enough settled driving, and need away from 1, was seen to establish a
    cause on the fuel side."""
    hypothesis = HYPOTHESES[judged.cause]
    tied = list(ranking.ties.get(judged.cause, ()))
    needless = ranking.needless.get(judged.cause, 1.0) >= NEEDLESS
    # What is sure by itself stands in no other's place.
    tied += [cause for cause, others in ranking.ties.items() if judged.cause in others and needless]
    estimates = tuple(hypothesis.estimates(judged, grounds))
    effect = _need_effect(judged, grounds)
    weight = judged.fit.weight * DECIBANS
    # Its family is there, or one of those it cannot be told from.
    there = sum(ranking.families.get(family, 0.0) for family in {HYPOTHESES[c].family for c in (judged.cause, *tied)})
    there = judged.probability if hypothesis.everyday else there
    sure = judged.cause in ranking.chosen and weight >= EVIDENCE and hypothesis.family != "none"
    sure = sure and not _is_minor(judged, grounds, effect)
    sure = sure and there > SURE and not needless
    return Cause(
        judged.cause,
        judged.family,
        hypothesis.title,
        hypothesis.brief or hypothesis.title,
        hypothesis.short,
        estimates,
        weight,
        judged.probability,
        effect,
        tuple(hypothesis.reasons_for(judged, facts)),
        tuple(hypothesis.reasons_against(judged, facts)),
        hypothesis.settles,
        tuple(tied),
        tuple(HYPOTHESES[cause].title for cause in tied),
        sure and (enough or "fuel at part load" not in hypothesis.systems),
        _is_large(hypothesis, estimates, _need_effect(_as_one(judged), grounds) if tied else effect, facts),
        hypothesis.systems,
        hypothesis.danger,
        hypothesis.explains,
        _leans(judged, grounds),
    )


def _is_minor(judged: Judged, grounds: Grounds, effect: Estimate | None) -> bool:
    """Whether it takes no more than the effect of the causes beside it may be off by: of need at the most, or of need
    or metered air anywhere by itself; and of fuel pressure and idle air, which most causes leave alone, but which have
    to show it then."""
    if judged.beside is None or effect is None or not len(judged.beside):
        return False
    need = grounds.seen.on("need") > 0.0
    if abs(effect.value) >= MINOR * 100.0 * float(np.abs(judged.beside[need]).max(initial=0.0)):
        return False
    air = need | (grounds.seen.on("ratio") > 0.0)
    apart = np.abs(effects_of(judged, air, np.array([judged.fit.size]))[0]) - MINOR * np.abs(judged.beside[air])
    if 100.0 * float(apart.max(initial=0.0)) >= NEED_SURELY:
        return False
    return not any(_stands_apart(judged, grounds, *shown) for shown in (("supply", log(FALLING)), ("idle", TAKEN_AWAY)))


def _stands_apart(judged: Judged, grounds: Grounds, kind: str, shown: float) -> bool:
    """Whether observations of a kind fall below `shown`, and it takes more of them than the causes beside it may."""
    assert judged.beside is not None
    rows = grounds.seen.on(kind) > 0.0
    taken = float(np.abs(effects_of(judged, rows, np.array([judged.fit.size]))).max(initial=0.0))
    beside = float(np.abs(judged.beside[rows]).max(initial=0.0))
    return float(grounds.seen.y[rows].min(initial=0.0)) <= shown and taken > MINOR * beside


def _as_one(judged: Judged) -> Judged:
    """The cause as it is where it stands for those it cannot be told from, too: what it leaves to them counts."""
    return replace(judged, fit=replace(judged.fit, deviation=sqrt(judged.fit.deviation**2 - judged.between**2)))


def _is_large(hypothesis: Hypothesis, estimates: Sequence[Estimate], effect: Estimate | None, facts: Facts) -> bool:
    """Whether it takes more than everyday adaptation, with the nearer end of its interval too; or, where no command is
    known, so much that the fuel was cut."""
    if hypothesis.family == "boost":
        shares = [one for one in estimates if one.unit == "%"]
        return bool(facts.boost.alone and facts.boost.cuts > 1) or (
            bool(shares)
            and abs(shares[0].value) >= BOOST
            and min(abs(shares[0].low), abs(shares[0].high)) >= BOOST_SURELY
        )
    if effect is None:
        return False
    nearest = 0.0 if effect.low < 0.0 < effect.high else min(abs(effect.low), abs(effect.high))
    return abs(effect.value) >= NEED and nearest >= NEED_SURELY


def effects_of(judged: Judged, rows: Mask, sizes: Column) -> Column:
    """What the cause does to the observations `rows` (logarithms) at each of the sizes, float64 (sizes, rows)."""
    totals = np.zeros((len(sizes), int(rows.sum())))
    for variant, (_, share) in zip(judged.variants, judged.shapes, strict=True):
        totals += share * variant.effect.mean(np.maximum(sizes[:, None], variant.effect.low))[:, rows]
    return totals


def _leans(judged: Judged, grounds: Grounds) -> float:
    seen = grounds.seen
    if not judged.variants:
        return nan
    loaded, size = seen.of("air") > LOADED * grounds.maker.displacement, np.array([judged.fit.size])
    need, supply = (effects_of(judged, (seen.on(kind) > 0.0) & loaded, size)[0] for kind in ("need", "supply"))
    # Where no need is known under load, what takes fuel pressure leans by its square root (Bernoulli).
    taken = np.concatenate((need, -0.5 * supply[supply != 0.0]))
    return 100.0 * (exp(float(taken.max())) - 1.0) if len(taken) else nan


def _need_effect(judged: Judged, grounds: Grounds) -> Estimate | None:
    """The largest share of need that the cause takes in any region that was driven, %; None for boost."""
    seen = grounds.seen
    lost = lost_in_pull(grounds.responses) if judged.cause == "pressure_leak" else None
    if lost is not None:
        # The computer meters fuel for air that the engine does not get.
        return Estimate("largest need", -lost.value, "%", -lost.high, -lost.low)
    # Fuel goes with the square root of its pressure: where that was seen falling, need is known without lambda.
    needs = seen.on("need") - 0.5 * seen.on("supply")
    rows = needs != 0.0
    if not judged.variants or not rows.any() or isnan(judged.fit.size):
        return None
    totals = effects_of(judged, rows, np.array(band_of(judged.fit))) * needs[rows]
    place = int(np.argmax(np.abs(totals[0])))
    figures = [100.0 * (exp(float(total)) - 1.0) for total in totals[:, place]]
    return Estimate("largest need", figures[0], "%", min(figures[1:]), max(figures[1:]))
