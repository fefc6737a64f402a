"""Which causes explain a drive, how much better than nothing wrong, and how large each is.

Observations on fuel and air, and what the pulls showed of boost, come in; a `Ranking` goes out: every cause with its
size, its weight of evidence and its probability. What acts on fuel and air is explained by sets of causes
(`combination`), boost by at most one beside it. What each cause is stands in `causes`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import exp, hypot, inf, log, nan, sqrt

import numpy as np

from livewatch.signature.causes.fuel_in_tank import judged_fuel
from livewatch.signature.causes.hypothesis import Judged, Variant
from livewatch.signature.causes.registry import HYPOTHESES
from livewatch.signature.combination import TOGETHER, Combination, Search, log_sum
from livewatch.signature.evidence.boost_figures import BoostFigures
from livewatch.signature.evidence.observations import Observations
from livewatch.signature.evidence.readings import Column
from livewatch.signature.evidence.settled import PointMaker
from livewatch.signature.inference import Fit, Whitened, combined
from livewatch.signature.leak_hints import opened, too_small
from livewatch.signature.roughness import roughness

__all__ = ["MINOR", "NEEDLESS", "SURE", "Ranking", "rank"]

TIE = log(3.0)
"""Two explanations are a tie when one is less than three times as probable as the other."""
EVERYDAY_FUEL = 0.004
"""Shifts of need by the fuel in the tank below this need no second look at whether the computer corrects for it;
E7 and E10, either sold as E10, differ by 0.010."""
SHORT_BOOST, SHORT_UNMETERED, SHORT_MOST = 1.0, 0.5, 4.0
"""What of the weight for boost that falls short does not count for a leak behind the compressor, with a meter and
without, and how much of it counts at the most; judgements."""
MINOR = 0.25
"""Share of the effect of a cause below which what stands beside it takes nothing from its size, nor is established: no
effect is known that well; common practice, and simulated cars."""
SURE, DOUBTED = 0.75, 0.1
"""How probable an established cause, or those it cannot be told from, has to be: three times as probable as not. And
how probable its absence, for another to stand for it. Judgements."""
NEEDLESS = 1.0 - SURE
"""How probable it may be at the most that nothing stands in the place of an established cause."""
PLAIN = 3.0
"""How much more probable (logarithm) an explanation has to be for each cause more, for sizes to be taken from it: what
is barely there takes nothing from the size of what is; a judgement."""
SHAPES = 8
"""Shapes of a cause that are fitted in full for its size at the most."""


@dataclass(frozen=True, slots=True)
class Ranking:
    """Causes, the most probable first; `everyday` is among them, with the probability that nothing is wrong.

    Attributes:
        chosen: names of the causes of the most probable explanation.
        ties: for a chosen cause, the causes of other families that explain as much in its place.
        families: how probable it is that a cause of the family is there; `none` that nothing is wrong.
        needless: for a chosen cause, how probable it is that nothing stands in its place.
        shift: what the fuel in the tank takes of need (logarithm) by the most probable explanation.
    """

    causes: tuple[Judged, ...]
    chosen: frozenset[str]
    ties: Mapping[str, tuple[str, ...]]
    families: Mapping[str, float]
    needless: Mapping[str, float]
    shift: float = 0.0

    def __getitem__(self, cause: str) -> Judged:
        return next(judged for judged in self.causes if judged.cause == cause)


@dataclass(frozen=True, slots=True, eq=False)
class _Set:
    """One explanation of the fuel side with what the fuel in the tank takes (`shift`), and the search it comes from."""

    combination: Combination
    score: float
    shift: float
    search: Search
    plain: Whitened


def rank(seen: Observations, maker: PointMaker, figures: BoostFigures) -> Ranking:
    """Judge every cause."""
    symptoms = {}
    for cause, hypothesis in HYPOTHESES.items():
        symptom = hypothesis.symptom(figures) if figures.pulls else None
        if symptom is not None:
            symptoms[cause] = Judged(cause, hypothesis.family, Fit(symptom.size, symptom.deviation, symptom.weight))
    short = symptoms.get("underboost")
    # Air that leaves behind the compressor shows as boost that falls short, too.
    hint = 0.0 if short is None else min(max(0.0, short.fit.weight - SHORT_BOOST), SHORT_MOST)
    # By itself boost that falls short may be that leak.
    apart = {cause: one for cause, one in symptoms.items() if one is not short or not maker.metered}
    beside = sum(one.probability for one in _boost_causes(apart, 0.0)[0].values())
    sets = _explanations(seen, maker, (opened(figures), hint), beside) if len(seen) else []
    fuel = _fuel_causes(sets, seen)
    leak = fuel.get("pressure_leak")
    if short is not None and leak is not None:
        # As much of it as the leak is sure by itself is explained.
        told = max(0.0, short.fit.weight) * leak.probability
        symptoms["underboost"] = replace(short, fit=replace(short.fit, weight=short.fit.weight - told))
    elif short is not None and maker.boosted:
        # Without a meter a leak shows as nothing else.
        fit = Fit(nan, nan, short.fit.weight - SHORT_UNMETERED)
        symptoms["pressure_leak"] = Judged("pressure_leak", HYPOTHESES["pressure_leak"].family, fit)
    boost, ties, chosen = _boost_causes(symptoms, 1.0 - _nothing(sets))
    families = _families([*fuel.values(), *boost.values()], sets)
    ties = {**_ties(sets, families), **ties}
    chosen |= sets[0].combination.causes if sets else frozenset()
    needless = _needless(sets)
    for cause, rival, neither in _either(sets, fuel, needless):
        needless[cause], needless[rival] = neither, 1.0
        if HYPOTHESES[rival].family != HYPOTHESES[cause].family:
            ties[cause] = (*ties.get(cause, ()), rival)
    needless |= {cause: 1.0 - sum(one.probability for one in boost.values()) for cause in boost}
    if short is not None and leak is not None and leak.cause in chosen:
        whole, _, first = _boost_causes({**symptoms, short.cause: short}, 1.0 - _nothing(sets))
        if short.cause in first - chosen and whole[short.cause].probability > SURE:
            # It falls short all the same: by the leak alone, or by its control beside it, which cannot be told.
            needless[short.cause] *= needless[leak.cause]
            boost[short.cause] = replace(boost[short.cause], fit=short.fit)
            chosen, ties[short.cause] = chosen | {short.cause}, (leak.cause,)
    fuels = _fuel_in_tank(sets, seen)
    chosen |= {one.cause for one in fuels if one.fit.weight > 0.0}
    needless |= {one.cause: 1.0 - one.probability for one in fuels}
    right = _nothing(sets) * (1.0 - sum(one.probability for one in boost.values()))
    judged = [*fuel.values(), *boost.values(), *fuels, Judged("everyday", "none", Fit(0.0, 0.0, 0.0), right)]
    judged.sort(key=lambda one: (-one.probability, one.cause))
    return Ranking(tuple(judged), chosen, ties, families | {"none": right}, needless, sets[0].shift if sets else 0.0)


def _explanations(seen: Observations, maker: PointMaker, leak: tuple[float, float], beside: float) -> list[_Set]:
    """Sets of causes on the fuel side, the most probable first. Where the fuel in the tank is not the one calibrated
    for, both are tried: a computer that corrects for it, and one that does not. `leak`: what else speaks for a leak
    under boost, of any size, and for one that is large enough for boost to fall short; `beside`: how probable it is
    that boost is wrong."""
    shifts = [0.0, seen.fuel_shift] if abs(seen.fuel_shift) > EVERYDAY_FUEL else [0.0]
    need = seen.on("need")
    tried = [variant for hypothesis in HYPOTHESES.values() for variant in hypothesis.variants(seen, maker)]
    flow = np.log(np.maximum(seen.of("air"), 0.1))
    wide = float(flow.std())
    flow = (flow - flow.mean()) / wide if wide > 0.0 else 0.0 * flow
    prior = {
        cause: one.log_prior + (sum(leak) if cause == "pressure_leak" else 0.0) for cause, one in HYPOTHESES.items()
    }
    found = []
    unshifted = Whitened(seen.y, seen.covariance)
    for number, shift in enumerate(shifts):
        y = seen.y - shift * need
        plain = unshifted.of(y) if shift else unshifted
        # By the computer's own fuel rate, where it gives one, the first is more or less probable.
        odds = seen.corrected if number == 0 and len(shifts) > 1 else 0.0
        search = Search(plain, tried, flow, prior, beside)
        rough = roughness(search.run(most=1)[0], tried, seen)
        if rough.any():
            doubted = seen.covariance.copy()
            doubted[np.diag_indices_from(doubted)] += rough * rough
            search = Search(Whitened(y, doubted, plain), tried, flow, prior, beside)
        level = search.whitened.log_likelihood() + odds
        for one in search.run():
            score = one.score + level - (leak[1] if too_small(one, seen) else 0.0)
            found.append(_Set(one, score, shift, search, plain))
    return sorted(found, key=lambda one: (-one.score, sorted(one.combination.causes)))


def _shares(sets: list[_Set]) -> list[float]:
    total = log_sum([one.score for one in sets]) if sets else 0.0
    return [exp(one.score - total) for one in sets]


def _fuel_in_tank(sets: list[_Set], seen: Observations) -> list[Judged]:
    """The fuel in the tank, where it is not the one calibrated for: as probable as the explanations in which the
    computer does not correct for it."""
    uncorrected, corrected = ([one.score for one in sets if bool(one.shift) is shifted] for shifted in (True, False))
    if not uncorrected or not corrected:
        return []
    weight = log_sum(uncorrected) - log_sum(corrected)
    return [judged_fuel(seen, 1.0 / (1.0 + exp(-weight)), min(weight, 1e3))]


def _nothing(sets: list[_Set]) -> float:
    """How probable it is that nothing is wrong on the fuel side."""
    return sum(share for one, share in zip(sets, _shares(sets), strict=True) if not one.combination.variants) or (
        0.0 if sets else 1.0
    )


def _fuel_causes(sets: list[_Set], seen: Observations) -> dict[str, Judged]:
    """Every cause that is in a set: as probable as all sets with it, with the size it has in the plainest of the best,
    and its weight by how much worse that one is without it."""
    if not sets:
        return {}
    shares = _shares(sets)
    found: dict[str, Judged] = {}
    for one in sorted(sets, key=lambda one: PLAIN * len(one.combination.variants) - one.score):
        best = one.combination
        for variant, size, deviation in zip(best.variants, best.sizes, best.deviations, strict=True):
            cause = variant.cause
            if cause in found:
                continue
            probability = sum(p for p, other in zip(shares, sets, strict=True) if cause in other.combination.causes)
            rest = best.causes - {cause}
            thought = HYPOTHESES[cause].log_prior + TOGETHER * (1.0 if rest else one.search.beside)
            weight = one.score - thought - _score_without(cause, one, sets)
            judged = Judged(cause, HYPOTHESES[cause].family, Fit(size, deviation, min(weight, 1e3)), probability)
            shaped = _shaped(judged, one, seen)
            away, shift = _over_fuels(sets, one, cause)
            between = _between(sets, shares, variant, size + away)
            fit = replace(shaped.fit, size=shaped.fit.size + away, deviation=hypot(shaped.fit.deviation, between))
            found[cause] = replace(shaped, fit=fit, between=between, shift=shift)
    return found


def _over_fuels(sets: list[_Set], one: _Set, cause: str) -> tuple[float, float]:
    """Whether the computer corrects for the fuel may not be known: how far the mean size of a cause over both, as far
    as each is probable, is from that in this set; and the mean of what the fuel takes."""
    alike = [other for other in sets if other.combination.causes == one.combination.causes]
    odds = np.array([exp(other.score - one.score) for other in alike])
    sizes = np.array([other.combination.size_of(cause) for other in alike]) - one.combination.size_of(cause)
    shifts = np.array([other.shift for other in alike])
    return float(odds @ sizes / odds.sum()), float(odds @ shifts / odds.sum())


def _score_without(cause: str, one: _Set, sets: list[_Set]) -> float:
    """The score of an explanation without one of its causes, whether the search came by it or not."""
    rest = one.combination.causes - {cause}
    known = max((other.score for other in sets if other.combination.causes == rest), default=None)
    if known is not None:
        return known
    pairs = zip(one.combination.variants, one.combination.sizes, strict=True)
    left = [(variant, size) for variant, size in pairs if variant.cause != cause]
    fitted = one.search.fit([variant for variant, _ in left], [size for _, size in left])
    return -inf if fitted is None else fitted.score + one.score - one.combination.score


def _between(sets: list[_Set], shares: Sequence[float], variant: Variant, size: float) -> float:
    """By how much the size of a shape differs from `size` in the explanations that have it, as far as each is probable:
    whether another cause stands beside it or not is not known either (law of total variance)."""
    total = square = 0.0
    for one, share in zip(sets, shares, strict=True):
        for other, other_size in zip(one.combination.variants, one.combination.sizes, strict=True):
            if (other.cause, other.unknown) == (variant.cause, variant.unknown):
                total += share
                square += share * (other_size - size) ** 2
    return sqrt(square / total) if total > 0.0 else 0.0


def _shaped(judged: Judged, one: _Set, seen: Observations) -> Judged:
    """The cause with all shapes that the data leave it: sizes averaged with their shares, spreads and their scatter
    added."""
    cause, combination = judged.cause, one.combination
    need = seen.on("need") > 0.0
    pairs = list(zip(combination.variants, combination.sizes, strict=True))
    takes = {v.cause: float(np.abs(v.effect.mean(s)[need]).max(initial=0.0)) for v, s in pairs}
    base = [(v, s) for v, s in pairs if v.cause != cause and takes[v.cause] >= MINOR * takes[cause]]
    if not base:
        return _alone(judged, one, one.search.shapes(cause))
    others = one.search.fit([v for v, _ in base], [s for _, s in base])
    shapes = one.search.shares(others or Combination(), cause)
    likely = sorted(shapes, key=lambda entry: -entry[1])[:SHAPES]
    beginnings = [([variant, *(v for v, _ in base)], [size, *(s for _, s in base)]) for variant, _, size in likely]
    fits = [
        (fitted.variants[0], fitted.evidence, fitted.sizes[0], fitted.deviations[0])
        for fitted in one.search.fits(beginnings)
        if fitted is not None
    ]
    beside: Column = np.sum([v.effect.mean(s) for v, s in base], axis=0)
    if not fits:
        variant = next(v for v in combination.variants if v.cause == cause)
        return replace(
            judged, unknown=variant.unknown, shapes=((variant.unknown, 1.0),), variants=(variant,),
            others={v.cause: s for v, s in base}, beside=beside,
        )  # fmt: skip
    total = log_sum([evidence for _, evidence, _, _ in fits])
    parts = [(variant, exp(evidence - total), size, deviation) for variant, evidence, size, deviation in fits]
    size = sum(p * s for _, p, s, _ in parts)
    deviation = sqrt(sum(p * (d * d + (s - size) ** 2) for _, p, s, d in parts))
    unknown = sum(p * variant.unknown for variant, p, _, _ in parts)
    return replace(
        judged,
        fit=Fit(size, deviation, judged.fit.weight),
        unknown=unknown,
        unknown_spread=sqrt(sum(p * (variant.unknown - unknown) ** 2 for variant, p, _, _ in parts)),
        shapes=tuple((variant.unknown, p) for variant, p, _, _ in parts),
        variants=tuple(variant for variant, _, _, _ in parts),
        others={v.cause: s for v, s in base},
        beside=beside,
    )


def _alone(judged: Judged, one: _Set, variants: Sequence[Variant]) -> Judged:
    """The cause with its size by itself, over all shapes."""
    fits = one.plain.fits([variant.effect for variant in variants])
    fit, shares = combined(fits, [variant.weight for variant in variants])
    unknown = sum(p * variant.unknown for p, variant in zip(shares, variants, strict=True))
    return replace(
        judged,
        fit=Fit(fit.size, fit.deviation, judged.fit.weight),
        unknown=unknown,
        unknown_spread=sqrt(sum(p * (v.unknown - unknown) ** 2 for p, v in zip(shares, variants, strict=True))),
        shapes=tuple((variant.unknown, p) for variant, p in zip(variants, shares, strict=True)),
        variants=tuple(variants),
    )


def _ties(sets: list[_Set], families: Mapping[str, float]) -> dict[str, tuple[str, ...]]:
    """For each cause of the best set, what stands in its place in sets that are nearly as probable, or what it takes
    for one of them to be sure."""
    ties: dict[str, list[str]] = {}
    best = sets[0].combination.causes if sets else frozenset()
    for other in sets[1:]:
        gone, new = best - other.combination.causes, other.combination.causes - best
        near = sets[0].score - other.score < TIE
        for cause in gone if near or len(gone) == 1 else ():
            own = HYPOTHESES[cause].family
            for name in sorted(new):
                family, so_far = HYPOTHESES[name].family, families.get(own, 0.0)
                takes = cause not in ties and so_far <= SURE < so_far + families.get(family, 0.0)
                if family != own and (near or takes):
                    ties.setdefault(cause, []).append(name)
    return {cause: tuple(dict.fromkeys(names)) for cause, names in ties.items()}


def _boost_causes(
    symptoms: Mapping[str, Judged], beside: float
) -> tuple[dict[str, Judged], dict[str, tuple[str, ...]], frozenset[str]]:
    """Of boost at most one is wrong: each with its probability, what the most probable ties with, and its name.
    `beside`: how probable it is that something is wrong on the fuel side."""
    thought = {cause: HYPOTHESES[cause].log_prior + TOGETHER * beside for cause in symptoms}
    logs = {cause: judged.fit.weight + thought[cause] for cause, judged in symptoms.items()}
    total = log_sum([0.0, *logs.values()])
    found = {cause: replace(judged, probability=exp(logs[cause] - total)) for cause, judged in symptoms.items()}
    if not logs or max(logs.values()) <= 0.0:
        return found, {}, frozenset()
    first = max(logs, key=lambda cause: logs[cause])
    family = found[first].family
    tie = tuple(c for c in logs if found[c].family != family and logs[first] - logs[c] < TIE)
    return found, {first: tie} if tie else {}, frozenset({first})


def _needless(sets: list[_Set]) -> dict[str, float]:
    """For each cause of the best set how probable it is that it is not there, and that nothing but a sensor is there
    instead."""
    best = sets[0].combination.causes if sets else frozenset()
    return {cause: _without(sets, {cause}) for cause in best}


def _without(sets: list[_Set], gone: set[str]) -> float:
    """How probable it is that of the best set those that are `gone` are not there, and nothing but a sensor instead."""
    left = sets[0].combination.causes - gone
    left |= {cause for cause, one in HYPOTHESES.items() if one.family == "none"}
    return sum(share for one, share in zip(sets, _shares(sets), strict=True) if one.combination.causes <= left)


def _either(
    sets: list[_Set], fuel: Mapping[str, Judged], needless: Mapping[str, float]
) -> list[tuple[str, str, float]]:
    """A cause of the best set that may be missing because another of them alone would do as well, that other one, and
    how probable it is that neither is there: one of the two is there, or both, which cannot be told."""
    found = []
    doubted = sorted((c for c in needless if needless[c] >= DOUBTED), key=lambda c: (-fuel[c].probability, c))
    while doubted:
        cause, *others = doubted
        neither = {rival: _without(sets, {cause, rival}) for rival in others}
        rival = min(neither, key=lambda one: neither[one], default=None)
        if rival is None or neither[rival] >= NEEDLESS:
            doubted = others
        elif 1.0 - needless[cause] - needless[rival] + neither[rival] > SURE:
            doubted = others  # Both are there.
        else:
            found.append((cause, rival, neither[rival]))
            doubted = [one for one in others if one != rival]
    return found


def _families(judged: Sequence[Judged], sets: list[_Set]) -> dict[str, float]:
    families: dict[str, float] = {}
    shares = _shares(sets)
    for family in sorted({one.family for one in judged} - {"none"}):
        among = sum(
            share
            for other, share in zip(sets, shares, strict=True)
            if any(HYPOTHESES[cause].family == family for cause in other.combination.causes)
        )
        families[family] = min(1.0, among + sum(o.probability for o in judged if o.family == family and not o.variants))
    return families
