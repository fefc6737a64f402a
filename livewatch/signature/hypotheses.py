"""Which causes explain a drive, how much better than nothing wrong, and how large each would be.

Observations on fuel and air, and the responses of boost in the pulls, come in; `Ranking` goes out: every cause with its
fit, its weight of evidence and its probability. To add a cause: its effect in `effects` (fuel and air) or its symptom
here (boost), its family in `FAMILIES`, its words in `causes`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import exp, isnan, log, sqrt

import numpy as np

from livewatch.signature.boost import Response
from livewatch.signature.effects import LOG_PRIOR, Variant, variants
from livewatch.signature.inference import Fit, Whitened, combined
from livewatch.signature.observations import Observations
from livewatch.signature.settled import PointMaker

__all__ = ["FAMILIES", "FAST", "Judged", "Ranking", "boost_symptoms", "most_air_lost", "rank"]

FAMILIES: Mapping[str, str] = {
    "everyday": "none",
    "lambda_sensor": "none",
    "meter_scale": "metering",
    "meter_shape": "metering",
    "pressure_sensor": "metering",
    "injector_flow": "injection",
    "injector_dead_time": "injection",
    "one_bank": "injection",
    "vacuum_leak": "air leak",
    "pressure_leak": "air leak",
    "fuel_supply": "fuel supply",
    "boost_control": "boost",
    "boost_creep": "boost",
    "underboost": "boost",
}
TIE = log(3.0)
"""Two causes of different families are a tie when one is less than three times as probable as the other."""
EVERYDAY_FUEL = 0.01
"""Shifts of need by the fuel in the tank below this need no second look at whether the computer corrects for it."""

OVERSHOOT, OVERSHOOT_WRONG = 0.030, 0.15
"""Spread of the overshoot that every pull shows, as a share of commanded boost, on matching and on wrong parts: common
practice, and pulls of the simulator's matching cars."""
STEADY, STEADY_WRONG = 0.015, 0.12
LATE, LATE_WRONG = 0.025, 0.15
SHORT, SHORT_WRONG = 0.03, 0.20
DUTY, DUTY_WRONG = 4.0, 12.0
"""Per cent of duty against a baseline."""
FAST = 0.92
"""Share of the highest speed of all pulls from which a pull counts as one to the top."""
LOST, LOST_WRONG, OPENED = 0.08, 0.6, 0.2
"""Spread of the logarithm by which metered air over speed and pressure rises within a pull, with sound pipes and where
something opens; and how many leaks begin in a pull that was seen: common practice, and pulls of simulated cars."""
CUT_WEIGHT = 3.0
"""Weight of one overboost fuel cut."""


@dataclass(frozen=True, slots=True)
class Judged:
    """One cause as judged.

    Attributes:
        cause, family: names; see `FAMILIES`.
        fit: size in the unit of its effect, and the weight against nothing wrong (natural logarithm).
        probability: of all causes and of nothing wrong, adding up to 1.
        unknown: mean of its further unknown (g/s of air or fuel, bank, s); `unknown_spread` its standard deviation.
        shapes: (further unknown, share) of each of its shapes; `variants` the shapes themselves.
        shift: what the fuel in the tank takes of need (logarithm), as far as it is not corrected for.
    """

    cause: str
    family: str
    fit: Fit
    probability: float
    unknown: float = 0.0
    unknown_spread: float = 0.0
    shapes: tuple[tuple[float, float], ...] = ()
    variants: tuple[Variant, ...] = ()
    shift: float = 0.0


@dataclass(frozen=True, slots=True)
class Ranking:
    """Causes, the most probable first; `everyday` is among them. `tie` names causes of other families that the data
    cannot tell from the first."""

    causes: tuple[Judged, ...]
    tie: tuple[str, ...]
    families: Mapping[str, float]

    def __getitem__(self, cause: str) -> Judged:
        return next(judged for judged in self.causes if judged.cause == cause)


def rank(
    seen: Observations, maker: PointMaker, responses: Sequence[Response], cuts: int, usual: tuple[float, float]
) -> Ranking:
    """Judge every cause. `cuts` counts overboost fuel cuts; `usual` is overshoot (share) and duty (%) of a baseline."""
    found: dict[str, Judged] = {}
    if len(seen):
        found = _judge_fuel(seen, maker)
    for cause, weight, size, deviation in boost_symptoms(responses, cuts, usual):
        found[cause] = Judged(cause, "boost", Fit(size, deviation, weight), 0.0)
    leak = found.get("pressure_leak")
    if leak is not None:
        found["pressure_leak"] = replace(leak, fit=replace(leak.fit, weight=leak.fit.weight + _opened(responses)))
    short = found.get("underboost")
    if short is not None:
        # Air that leaves behind the compressor shows as boost that falls short, too; without a meter as nothing else.
        leak = found.get("pressure_leak")
        if leak is not None:
            fit = Fit(leak.fit.size, leak.fit.deviation, leak.fit.weight + max(0.0, short.fit.weight - 1.0))
            found["pressure_leak"] = replace(leak, fit=fit)
        elif maker.boosted:
            weight = short.fit.weight - 0.5
            found["pressure_leak"] = Judged("pressure_leak", "air leak", Fit(float("nan"), float("nan"), weight), 0.0)
    return _ranked(found)


def _ranked(found: Mapping[str, Judged]) -> Ranking:
    logs = {cause: judged.fit.weight + LOG_PRIOR[cause] for cause, judged in found.items()}
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
    shapes: dict[str, list[Variant]] = {}
    tried = list(variants(seen, maker))
    fitted = list(zip(*(one.fits([variant.effect for variant in tried]) for one in whitened), strict=True))
    of_cause: dict[str, list[Fit]] = {}
    for variant, each_fit in zip(tried, fitted, strict=True):
        shapes.setdefault(variant.cause, []).append(variant)
        of_cause.setdefault(variant.cause, []).extend(each_fit)
    found: dict[str, Judged] = {}
    for cause, kinds in shapes.items():
        fits = of_cause[cause]
        weights = [kind.weight + level - base for kind in kinds for level in levels]
        fit, share = combined(fits, weights)
        each = [sum(share[k * len(levels) : (k + 1) * len(levels)]) for k in range(len(kinds))]
        unknown = sum(p * kind.unknown for p, kind in zip(each, kinds, strict=True))
        spread = sqrt(sum(p * (kind.unknown - unknown) ** 2 for p, kind in zip(each, kinds, strict=True)))
        pairs = tuple((kind.unknown, p) for kind, p in zip(kinds, each, strict=True))
        shift = sum(p * by for p, by in zip(share, shifts * len(kinds), strict=True))
        found[cause] = Judged(cause, FAMILIES[cause], fit, 0.0, unknown, spread, pairs, tuple(kinds), shift)
    return found


def _log_sum(values: Sequence[float]) -> float:
    most = max(values)
    return most + log(sum(exp(value - most) for value in values))


def boost_symptoms(
    responses: Sequence[Response], cuts: int, usual: tuple[float, float]
) -> list[tuple[str, float, float, float]]:
    """Cause, weight, size and its deviation for each boost cause the pulls speak about.

    Overshoot counts by the lower quartile of the pulls: in high gears, where boost builds slowly, a sound car
    overshoots now and then; a solenoid or actuator that does not fit overshoots every time. Sizes are shares of
    commanded boost.
    """
    reached = [response for response in responses if response.reached]
    found: list[tuple[str, float, float, float]] = []
    if not responses:
        return found
    n = len(responses)
    over = _quantile([r.overshoot_share for r in reached], 0.25) - (0.0 if isnan(usual[0]) else usual[0])
    steady = _quantile([r.steady_share for r in reached], 0.5)
    # Creep shows at the top of the speed range: pulls that end earlier say nothing about it.
    top = max((r.top_speed for r in reached), default=0.0)
    fast = [r for r in reached if r.top_speed > FAST * top]
    late = _quantile([r.late_share for r in fast], 0.5)
    duty = _quantile([r.mean_duty for r in reached], 0.5) - usual[1]
    floor = _quantile([r.at_floor for r in fast], 0.5)
    short = _quantile([r.short_share for r in responses], 0.5)
    creeping = late - steady > 0.03 and late > 0.05
    if reached:
        parts = [_symptom(max(over, 0.0), OVERSHOOT, OVERSHOOT_WRONG, n)]
        if not creeping:
            parts.append(_symptom(max(steady, 0.0), STEADY, STEADY_WRONG, n))
        if not isnan(duty):
            parts.append(_symptom(duty, DUTY, DUTY_WRONG, n))
        excess = max(over, steady, 0.0)
        spread = _spread([max(r.overshoot_share, r.steady_share) for r in reached], OVERSHOOT)
        weight = max(parts) + CUT_WEIGHT * min(cuts, 3) - (4.0 if creeping else 0.0)
        found.append(("boost_control", weight, excess, spread))
        weight = _symptom(max(late, 0.0), LATE, LATE_WRONG, len(fast)) + CUT_WEIGHT * min(cuts, 3)
        weight += (1.0 if floor > 0.05 else 0.0) - (0.0 if creeping else 4.0)
        found.append(("boost_creep", weight, max(late, 0.0), _spread([r.late_share for r in fast], LATE)))
    if not isnan(short):
        weight = _symptom(min(short, 0.0), SHORT, SHORT_WRONG, n)
        found.append(("underboost", weight, short, _spread([r.short_share for r in responses], SHORT)))
    elif reached:
        weight = _symptom(min(steady, 0.0), STEADY, STEADY_WRONG, n) - 1.0
        found.append(("underboost", weight, min(steady, 0.0), _spread([r.steady_share for r in reached], STEADY)))
    return found


def most_air_lost(responses: Sequence[Response]) -> float:
    """The largest share of the metered air that was lost from some moment of a pull on; 0 where that is not known."""
    return max((response.air_lost for response in responses if not isnan(response.air_lost)), default=0.0)


def _opened(responses: Sequence[Response]) -> float:
    """Weight for a leak under boost: a hose may have come off in one of the pulls, or else it has leaked all along, of
    which this tells nothing."""
    if not responses:
        return 0.0
    rise = -log(max(1.0 - most_air_lost(responses), 1e-3))
    return log(1.0 - OPENED + OPENED * exp(min(_symptom(rise, LOST, LOST_WRONG, 1), 60.0)))


def _symptom(value: float, spread: float, wrong: float, pulls: int) -> float:
    """Logarithm of the Bayes factor of one figure: normal with the wider spread against the everyday one. One pull
    alone
    may be chance: the everyday spread is that of a mean over a few."""
    if isnan(value):
        return 0.0
    everyday = spread * sqrt(1.0 + 1.0 / pulls)
    wide = sqrt(everyday**2 + wrong**2)
    return 0.5 * value * value * (1.0 / everyday**2 - 1.0 / wide**2) - log(wide / everyday)


def _quantile(values: Sequence[float], share: float) -> float:
    known = [value for value in values if not isnan(value)]
    return float(np.quantile(known, share)) if known else float("nan")


def _spread(values: Sequence[float], everyday: float) -> float:
    known = [value for value in values if not isnan(value)]
    if len(known) < 2:
        return everyday
    return sqrt(float(np.var(known, ddof=1)) / len(known) + (0.3 * everyday) ** 2)
