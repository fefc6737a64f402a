"""Which causes explain a drive, how much better than nothing wrong, and how large each would be.

Observations on fuel and air, and what the pulls showed of boost, come in; a `Ranking` goes out: every cause with its
fit, its weight of evidence and its probability. What each cause is stands in `causes`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import exp, log, nan, sqrt

from livewatch.signature.causes.boost_hypothesis import bayes_factor
from livewatch.signature.causes.hypothesis import Judged, Variant
from livewatch.signature.causes.leak_sizes import LOST
from livewatch.signature.causes.registry import HYPOTHESES
from livewatch.signature.evidence.boost_figures import BoostFigures
from livewatch.signature.evidence.observations import Observations
from livewatch.signature.evidence.settled import PointMaker
from livewatch.signature.inference import Fit, Whitened, combined

__all__ = ["Ranking", "rank"]

TIE = log(3.0)
"""Two causes of different families are a tie when one is less than three times as probable as the other."""
EVERYDAY_FUEL = 0.01
"""Shifts of need by the fuel in the tank below this need no second look at whether the computer corrects for it."""
LOST_WRONG, OPENED = 0.6, 0.2
"""Spread of the logarithm by which metered air over speed and pressure rises within a pull where something opens; and
how many leaks begin in a pull that was seen: common practice, and pulls of simulated cars."""
SHORT_BOOST, SHORT_UNMETERED = 1.0, 0.5
"""What of the weight for boost that falls short does not count for a leak behind the compressor, with a meter and
without; a judgement."""


@dataclass(frozen=True, slots=True)
class Ranking:
    """Causes, the most probable first; `everyday` is among them. `tie` names causes of other families that the data
    cannot tell from the first."""

    causes: tuple[Judged, ...]
    tie: tuple[str, ...]
    families: Mapping[str, float]

    def __getitem__(self, cause: str) -> Judged:
        return next(judged for judged in self.causes if judged.cause == cause)


def rank(seen: Observations, maker: PointMaker, figures: BoostFigures) -> Ranking:
    """Judge every cause."""
    found: dict[str, Judged] = {}
    if len(seen):
        found = _judge_fuel(seen, maker)
    for cause, hypothesis in HYPOTHESES.items():
        symptom = hypothesis.symptom(figures) if figures.pulls else None
        if symptom is not None:
            fit = Fit(symptom.size, symptom.deviation, symptom.weight)
            found[cause] = Judged(cause, hypothesis.family, fit)
    leak, short = found.get("pressure_leak"), found.get("underboost")
    if leak is not None:
        # Air that leaves behind the compressor shows as boost that falls short, too.
        more = _opened(figures) + (0.0 if short is None else max(0.0, short.fit.weight - SHORT_BOOST))
        found["pressure_leak"] = replace(leak, fit=replace(leak.fit, weight=leak.fit.weight + more))
    elif short is not None and maker.boosted:
        # Without a meter it shows as nothing else.
        fit = Fit(nan, nan, short.fit.weight - SHORT_UNMETERED)
        found["pressure_leak"] = Judged("pressure_leak", HYPOTHESES["pressure_leak"].family, fit)
    return _ranked(found)


def _ranked(found: Mapping[str, Judged]) -> Ranking:
    logs = {cause: judged.fit.weight + HYPOTHESES[cause].log_prior for cause, judged in found.items()}
    most = max([0.0, *logs.values()])
    total = exp(-most) + sum(exp(value - most) for value in logs.values())
    judged = [replace(one, probability=exp(logs[cause] - most) / total) for cause, one in found.items()]
    judged.append(Judged("everyday", "none", Fit(0.0, 0.0, 0.0), exp(-most) / total))
    judged.sort(key=lambda one: -one.probability)
    families: dict[str, float] = {}
    for one in judged:
        families[one.family] = families.get(one.family, 0.0) + one.probability
    order = sorted(families, key=lambda name: -families[name])
    # The cause shown first is the best of the most probable family.
    judged.sort(key=lambda one: (one.family != order[0], -one.probability))
    tie = tuple(
        next(one.cause for one in judged if one.family == family)
        for family in order[1:]
        if families[family] > 0.0 and log(families[order[0]] / families[family]) < TIE
    )
    return Ranking(tuple(judged), tie, families)


def _judge_fuel(seen: Observations, maker: PointMaker) -> dict[str, Judged]:
    """Every cause that acts on fuel or air. Where the fuel in the tank is not the one calibrated for, both are tried: a
    computer that corrects for it, and one that does not."""
    shifts = [0.0, seen.fuel_shift] if abs(seen.fuel_shift) > EVERYDAY_FUEL else [0.0]
    need = seen.on("need")
    whitened = [Whitened(seen.y - shift * need, seen.covariance) for shift in shifts]
    # By the computer's own fuel rate, where it gives one, the first is more or less probable.
    told = [seen.corrected, 0.0][: len(shifts)]
    levels = [one.log_likelihood() + more for one, more in zip(whitened, told, strict=True)]
    base = _log_sum(levels)
    tried = [variant for hypothesis in HYPOTHESES.values() for variant in hypothesis.variants(seen, maker)]
    fitted = list(zip(*(one.fits([variant.effect for variant in tried]) for one in whitened), strict=True))
    shapes: dict[str, list[tuple[Variant, tuple[Fit, ...]]]] = {}
    for variant, fits in zip(tried, fitted, strict=True):
        shapes.setdefault(variant.cause, []).append((variant, fits))
    found: dict[str, Judged] = {}
    for cause, pairs in shapes.items():
        kinds = [variant for variant, _ in pairs]
        weights = [kind.weight + level - base for kind in kinds for level in levels]
        fit, share = combined([fit for _, fits in pairs for fit in fits], weights)
        each = [sum(share[k * len(levels) : (k + 1) * len(levels)]) for k in range(len(kinds))]
        unknown = sum(p * kind.unknown for p, kind in zip(each, kinds, strict=True))
        spread = sqrt(sum(p * (kind.unknown - unknown) ** 2 for p, kind in zip(each, kinds, strict=True)))
        unknowns = tuple((kind.unknown, p) for kind, p in zip(kinds, each, strict=True))
        shift = sum(p * by for p, by in zip(share, shifts * len(kinds), strict=True))
        family = HYPOTHESES[cause].family
        found[cause] = Judged(cause, family, fit, 0.0, unknown, spread, unknowns, tuple(kinds), shift)
    return found


def _log_sum(values: Sequence[float]) -> float:
    most = max(values)
    return most + log(sum(exp(value - most) for value in values))


def _opened(figures: BoostFigures) -> float:
    """Weight for a leak under boost: a hose may have come off in one of the pulls, or else it has leaked all along, of
    which this tells nothing."""
    if not figures.pulls:
        return 0.0
    rise = -log(max(1.0 - figures.air_lost, 1e-3))
    return log(1.0 - OPENED + OPENED * exp(min(bayes_factor(rise, LOST, LOST_WRONG, 1), 60.0)))
