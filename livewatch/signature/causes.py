"""Causes in words and engineering units: what the fitted sizes mean to a person with tools in the hand.

A judged cause comes in, with the observations it was fitted to; a `Cause` goes out: title, estimates with their 95 %
intervals, what speaks for and against it, and what would settle it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import exp, isnan, nan, sqrt
from typing import Any

import numpy as np

from livewatch.signature.boost import Response
from livewatch.signature.effects import FLOW, SCALE
from livewatch.signature.estimates import SIGMAS, Estimate, band_of, mapped, spread_of
from livewatch.signature.hypotheses import Judged, Ranking
from livewatch.signature.inference import Fit
from livewatch.signature.leak_sizes import lost_in_pull, pressure_leak, vacuum_leak
from livewatch.signature.observations import INJECTORS, METER, Observations, milligrams_per_ms
from livewatch.signature.readings import Column, Mask
from livewatch.signature.reasons import Facts, against, for_
from livewatch.signature.settled import PointMaker

__all__ = ["TITLES", "Cause", "describe", "need_effect"]

FALLING = 0.97
"""Share of the commanded pressure across the injectors below which supply has ended."""
HELD, LINE, SLOPE_KNOWN = 0.012, 0.08, 0.3
"""Shares of pressure: a fall below the first is none; falls that differ by the second give the pump's line, its slope
to within the third."""
FUEL_KNOWN = 0.03
"""Share by which commanded fuel may be off what is delivered: injectors within their tolerance."""
PRESSURE_KNOWN = 2.0
"""Per cent by which a pressure share may be off, two sensors' tolerance."""
DECIBANS = 10.0 / 2.302585092994046
"""A weight of evidence in decibans: ten times the decimal logarithm of the Bayes factor (I. J. Good's unit)."""

TITLES = {
    "everyday": "nothing beyond everyday adaptation",
    "lambda_sensor": "the lambda sensor reads wrong",
    "meter_scale": "the air meter reads wrong by one factor: another bore, or another meter",
    "meter_shape": "the air meter reads wrong more and more with flow: the intake disturbs it",
    "pressure_sensor": "the manifold pressure sensor or breathing differs by one factor",
    "injector_flow": "the injectors flow more or less than calibrated for",
    "injector_dead_time": "the injectors open later or earlier than calibrated for",
    "one_bank": "one bank gets less or more fuel than the other",
    "vacuum_leak": "air leaks in behind the air meter, under vacuum",
    "pressure_leak": "air leaks out between compressor and throttle, under boost",
    "fuel_supply": "the fuel supply is at its limit",
    "boost_control": "boost control does not fit: solenoid, actuator or turbocharger",
    "boost_creep": "boost creeps above its command: the wastegate passes too little for the freer exhaust",
    "underboost": "boost falls short of its command with nothing left to give",
}
SETTLES = {
    "lambda_sensor": "Compare with a second lambda sensor, in the tailpipe or in its place.",
    "meter_scale": "Measure the bore of the air meter's housing and read the part number of the meter.",
    "meter_shape": "Look at the intake before the meter: bends, steps, a missing straightener; watch its noise.",
    "pressure_sensor": "With the engine off, manifold pressure must read as the barometer does.",
    "injector_flow": "Read the injectors' part number, or have their flow measured on a bench.",
    "injector_dead_time": "Have the injectors' dead time measured at 14 V, and compare idle with part load once more.",
    "one_bank": "Exchange two injectors between the banks and see whether the difference moves with them.",
    "vacuum_leak": "Put smoke into the intake with the engine off; listen at the gaskets and hoses.",
    "pressure_leak": "Put the charge pipes under pressure with the engine off and listen for air.",
    "fuel_supply": "Measure fuel pressure and pump voltage under load, and look at the filter.",
    "boost_control": "Check solenoid and actuator against their part numbers; measure when the flap opens.",
    "boost_creep": "On a dyno, watch at which speed duty reaches its floor; compare the bore of the wastegate.",
    "underboost": "Put the charge pipes under pressure with the engine off; then check the actuator's preload.",
}


@dataclass(frozen=True, slots=True)
class Cause:
    """One possible cause.

    Attributes:
        name, family, title: what.
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


def describe(
    ranking: Ranking, judged: Judged, seen: Observations, maker: PointMaker, responses: Sequence[Response], facts: Facts
) -> Cause:
    """A judged cause in words."""
    first = ranking.causes[0]
    tie = tuple(name for name in (first.cause, *ranking.tie) if name != judged.cause) if _tied(ranking, judged) else ()
    return Cause(
        judged.cause,
        judged.family,
        TITLES[judged.cause],
        tuple(_estimates(judged, seen, maker, responses)),
        judged.fit.weight * DECIBANS,
        judged.probability,
        need_effect(judged, seen, responses),
        tuple(for_(judged, facts)),
        tuple(against(judged, facts)),
        SETTLES.get(judged.cause, ""),
        tie,
    )


def _tied(ranking: Ranking, judged: Judged) -> bool:
    return bool(ranking.tie) and (judged.cause == ranking.causes[0].cause or judged.cause in ranking.tie)


def _measured(fit: Fit, spread: float, own: float) -> Fit:
    """What the data alone say of a part's ratio. The fit was drawn towards 0 by what is known beforehand, for weighing
    causes: undone here. And the covariance counts the part's `own` tolerance as an error, but a part that is off its
    drawing has that ratio."""
    told = 1.0 - min(0.5, (fit.deviation / spread) ** 2)
    return Fit(fit.size / told, sqrt(max(fit.deviation**2 / told - own**2, 0.25 * fit.deviation**2)), fit.weight)


def _estimates(judged: Judged, seen: Observations, maker: PointMaker, responses: Sequence[Response]) -> list[Estimate]:
    band = band_of(judged.fit)
    match judged.cause:
        case "meter_scale":
            band = band_of(_measured(judged.fit, SCALE, METER))
            return [
                mapped("the meter reads away from the truth by", "%", band, lambda s: 100.0 * (exp(-s) - 1.0)),
                mapped("true over metered air", "1", band, exp),
                mapped("bore fitted over bore calibrated for", "1", band, lambda s: exp(s / 2.0)),
            ]
        case "meter_shape":
            top, bend = _bend_at_top(judged, seen)
            what = f"at {top:.0f} g/s the meter reads away from the truth by"
            return [mapped(what, "%", band, lambda s: 100.0 * s * bend)]
        case "injector_flow":
            band = band_of(_measured(judged.fit, FLOW, INJECTORS))
            return [mapped("flow fitted over flow calibrated for", "1", band, lambda s: exp(-s))]
        case "pressure_sensor" | "lambda_sensor":
            what = "reads away from the truth by" if judged.cause == "lambda_sensor" else "air away from calculated by"
            return [mapped(what, "%", band, lambda s: 100.0 * (exp(s) - 1.0))]
        case "injector_dead_time":
            # A time follows from a missing mass by the injector's rate, which is known to a share only.
            unsure = judged.fit.size * milligrams_per_ms(seen.regions, maker)[1]
            band = band_of(replace(judged.fit, deviation=float(np.hypot(judged.fit.deviation, unsure))))
            return [mapped("dead time over that calibrated for", "ms", band, lambda s: s)]
        case "one_bank":
            bank = max(judged.shapes, key=lambda shape: shape[1])[0] if judged.shapes else judged.unknown
            return [mapped(f"need of bank {bank:.0f} over the other", "%", band, lambda s: 100.0 * (exp(s) - 1.0))]
        case "vacuum_leak":
            return vacuum_leak(judged, seen)
        case "pressure_leak":
            return pressure_leak(judged, seen, responses)
        case "fuel_supply":
            return _supply(judged, seen)
        case "boost_control" | "boost_creep" | "underboost":
            return _boost(judged, responses)
    return []


def _bend_at_top(judged: Judged, seen: Observations) -> tuple[float, float]:
    """The highest air flow seen, and the mean bend there over the shapes the data leave."""
    top = float(np.nanmax(seen.of("air")))
    bend = 0.0
    for flow, share in judged.shapes:
        square = (top / flow) ** 2
        bend += share * square / (1.0 + square)
    return top, bend


def _supply(judged: Judged, seen: Observations) -> list[Estimate]:
    """Where supply ends: what still was delivered while pressure fell, led back along the pump's line to no fall;
    without a pressure to go by, the bend of need over fuel flow."""
    at = seen.kind == "supply"
    share = np.exp(seen.y[at])
    fuel = np.nan_to_num(seen.of("fuel"))[at] * np.sqrt(share)
    falling = share < FALLING
    value, spread = judged.unknown, judged.unknown_spread
    if falling.any():
        value, spread = _led_back(1.0 - share, fuel, falling)
    elif len(judged.shapes) > 1:
        limits = sorted(limit for limit, _ in judged.shapes)
        spread = float(np.hypot(spread, (limits[-1] - limits[0]) / (len(limits) - 1) / 2.0))
    half = SIGMAS * float(np.hypot(spread, FUEL_KNOWN * value))
    estimates = [Estimate("fuel flow at which supply ends", value, "g/s", max(0.0, value - half), value + half)]
    if len(share):
        lowest = 100.0 * float(share.min())
        what = "lowest pressure across the injectors, of that commanded"
        estimates.append(Estimate(what, lowest, "%", lowest - PRESSURE_KNOWN, lowest + PRESSURE_KNOWN))
    return estimates


def _led_back(fall: Column, flow: Column, falling: Mask) -> tuple[float, float]:
    """Where a straight line of flow over the fall of pressure begins, and its standard deviation: between the highest
    flow at which pressure held and the lowest at which it fell. A pump gives more against a lower pressure, by how much
    is only known where falls differ."""
    lower = float(flow[fall < HELD].max(initial=0.0))
    upper = float(flow[falling].min())
    lower = min(lower, upper)
    away, middle = flow[falling], float(fall[falling].mean())
    width = float(((fall[falling] - middle) ** 2).sum())
    if np.ptp(fall[falling]) < LINE:
        return (lower + upper) / 2.0, (upper - lower) / 12.0**0.5
    slope = max(0.0, float(((fall[falling] - middle) * away).sum()) / width)
    value = float(away.mean()) - slope * middle
    return min(max(value, lower), upper), SLOPE_KNOWN * slope * middle


def _boost(judged: Judged, responses: Sequence[Response]) -> list[Estimate]:
    asked = float(np.median([response.asked for response in responses])) if responses else nan
    band = band_of(judged.fit)
    reached = [response for response in responses if response.reached]
    what = {
        "boost_control": "overshoot in every pull",
        "boost_creep": "above command at the end of a pull",
        "underboost": "below command",
    }[judged.cause]
    estimates = [
        mapped(what, "%", band, lambda s: 100.0 * max(0.0, -s) if judged.cause == "underboost" else 100.0 * s),
        mapped(what, "kPa", band, lambda s: asked * (max(0.0, -s) if judged.cause == "underboost" else s)),
    ]
    settling = [response.settling_time for response in reached if not isnan(response.settling_time)]
    if judged.cause == "boost_control" and settling:
        estimates.append(spread_of("settling time", "s", settling))
    creep = [response.creep_speed for response in reached if not isnan(response.creep_speed)]
    if judged.cause == "boost_creep" and creep:
        estimates.append(spread_of("creep begins at", "rpm", creep))
    return estimates


def need_effect(judged: Judged, seen: Observations, responses: Sequence[Response]) -> Estimate | None:
    """The largest share of need that the cause takes in any region that was driven, %; None for boost."""
    lost = lost_in_pull(responses) if judged.cause == "pressure_leak" else None
    if lost is not None:
        # The computer meters fuel for air that the engine does not get.
        return Estimate("largest need", -lost.value, "%", -lost.high, -lost.low)
    if judged.family == "boost" or judged.cause == "everyday" or not len(seen) or isnan(judged.fit.size):
        return None
    need = seen.on("need") > 0.0
    if not need.any():
        return None
    sizes = np.array(band_of(judged.fit))[:, None]
    totals = np.zeros((3, int(need.sum())))
    for variant, (_, share) in zip(judged.variants, judged.shapes, strict=True):
        effect = variant.effect
        totals += share * effect.mean(np.maximum(sizes, effect.low))[:, need]
    place = int(np.argmax(np.abs(totals[0])))
    figures = [100.0 * (exp(float(total)) - 1.0) for total in totals[:, place]]
    return Estimate("largest need", figures[0], "%", min(figures[1:]), max(figures[1:]))
