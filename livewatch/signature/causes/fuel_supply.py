"""The fuel supply at its limit: nothing until a fuel flow, then lean and rail pressure falling."""

from __future__ import annotations

from collections.abc import Iterator
from math import exp, log, nan

import numpy as np

from livewatch.signature.causes.codes import LOADS
from livewatch.signature.causes.facts import Facts
from livewatch.signature.causes.hypothesis import Grounds, Hypothesis, Judged, Variant, logarithmic
from livewatch.signature.estimates import SIGMAS, Estimate
from livewatch.signature.evidence.mixture import LEANEST_RICH, USUAL_RICH
from livewatch.signature.evidence.observations import Observations
from livewatch.signature.evidence.readings import Column, Mask
from livewatch.signature.evidence.settled import PointMaker

__all__ = ["HYPOTHESIS"]

SPREAD = 1.0
"""Share of pressure lost for each share of fuel flow beyond the limit, beforehand; common practice."""
LOWEST, STEP, STEPS = 0.25, 0.04, 19
"""Limits that are tried, as shares of the highest fuel flow seen."""
LEAST_FLOW = 0.6
"""g/s of fuel for each litre of displacement: six times what idle takes. No supply that lets an engine start ends
below; common practice."""
FALLING = 0.97
"""Share of the commanded pressure across the injectors below which supply has ended."""
HELD, LINE, SLOPE_KNOWN = 0.012, 0.08, 0.3
"""Shares of pressure: a fall below the first is none; falls that differ by the second give the pump's line, its slope
to within the third."""
FUEL_KNOWN = 0.03
"""Share by which commanded fuel may be off what is delivered: injectors within their tolerance."""
RICH_KNOWN = 0.05
"""The same where neither command nor sensor tells which mixture was wanted: calibrations differ by so much."""
PRESSURE_KNOWN = 2.0
"""Per cent by which a pressure share may be off, two sensors' tolerance."""


class FuelSupplyLimit(Hypothesis):
    """Fuel pressure, and with its square root fuel, falling from some fuel flow on."""

    name, family, short = "fuel_supply", "fuel supply", "fuel supply at its limit"
    title = "the fuel supply is at its limit"
    log_prior = -1.5
    systems, danger, explains = ("fuel supply",), 1, ("lean_under_load", "knock_retard", "rail_")
    codes = frozenset({"P0087", "P0089", "P008A", "P0230", "P2293", "P2294"})
    codes_against = frozenset({"P0088", "P008B"})
    mixture, loads = "lean", LOADS[2:]
    settles = "Measure fuel pressure and pump voltage under load, and look at the filter."
    plain = "the fuel supply cannot bring what the engine needs at high power"
    remedy = "Have the pump, the filter and the pressure regulator measured; more power needs a larger pump."
    repair = True

    def variants(self, seen: Observations, maker: PointMaker) -> Iterator[Variant]:
        need, supply = seen.on("need"), seen.on("supply")
        fuel = _commanded(seen, maker)
        most = float(fuel.max()) if len(fuel) else 0.0
        least = LEAST_FLOW * maker.displacement
        for limit in (most * (LOWEST + STEP * step) for step in range(STEPS)):
            if limit < least:
                continue
            beyond = np.maximum(fuel - limit, 0.0) / limit
            effect = logarithmic(supply - 0.5 * need, -beyond, SPREAD, 0.0)
            yield Variant(self.name, effect, limit, -float(np.log(STEPS)))

    def estimates(self, judged: Judged, grounds: Grounds) -> list[Estimate]:
        """Where supply ends: what still was delivered while pressure fell, led back along the pump's line to no fall;
        without a pressure to go by, the bend of need over fuel flow. Injectors of another size deliver another flow
        than is commanded; what a sensor shows to be delivered is as wrong as the air meter."""
        seen = grounds.seen
        at = seen.kind == "supply"
        share = np.exp(seen.y[at])
        larger = exp(-judged.others.get("injector_flow", 0.0))
        delivered = _air_over_metered(judged, seen) if _is_measured(grounds.maker) else larger
        fuel = delivered * np.nan_to_num(seen.of("fuel"))[at] * np.sqrt(share)
        falling = share < FALLING
        value, spread = larger * judged.unknown, larger * judged.unknown_spread
        if falling.any():
            value, spread = _led_back(1.0 - share, fuel, falling)
        elif len(judged.shapes) > 1:
            limits = sorted(limit for limit, _ in judged.shapes)
            step = larger * (limits[-1] - limits[0]) / (len(limits) - 1)
            spread = float(np.hypot(spread, step / 2.0))
        there = grounds.maker.there
        told = "commanded_lambda" in there or ("lambda_1" in there and falling.any())
        known = FUEL_KNOWN if told else float(np.hypot(FUEL_KNOWN, RICH_KNOWN))
        half = SIGMAS * float(np.hypot(spread, known * value))
        estimates = [Estimate("fuel flow at which supply ends", value, "g/s", max(0.0, value - half), value + half)]
        if len(share):
            lowest = 100.0 * float(share.min())
            what = "lowest pressure across the injectors, of that commanded"
            estimates.append(Estimate(what, lowest, "%", lowest - PRESSURE_KNOWN, lowest + PRESSURE_KNOWN))
        return estimates

    def reasons_for(self, judged: Judged, facts: Facts) -> Iterator[str]:
        yield facts.pattern
        if facts.supply < 95.0:
            yield f"fuel pressure across the injectors falls to {facts.supply:.0f} % of that commanded"

    def reasons_against(self, judged: Judged, facts: Facts) -> Iterator[str]:
        if facts.supply > 100.0 * FALLING:
            yield "fuel pressure holds"


def _is_measured(maker: PointMaker) -> bool:
    """Whether fuel in open loop is what a lambda sensor shows to be delivered, as nothing tells what is commanded."""
    return "lambda_1" in maker.there and "commanded_lambda" not in maker.there


def _commanded(seen: Observations, maker: PointMaker) -> Column:
    """Commanded fuel, g/s. Where only what is delivered is known, which does not go beyond a limit, it is that for the
    usual mixture: by pressure, which delivered fuel is led back to where it is known, or by lambda."""
    fuel: Column = np.nan_to_num(seen.of("fuel"))
    if not _is_measured(maker):
        return fuel
    shown, leaner = seen.of("log_open_1"), seen.of("log_need_1") + log(LEANEST_RICH)
    leaner = np.where(seen.of("share_closed") < 0.5, leaner, nan)
    more = np.where(np.isnan(seen.of("supply")), np.where(np.isnan(shown), leaner, shown) - log(USUAL_RICH), 0.0)
    commanded: Column = fuel * np.exp(np.nan_to_num(more))
    return commanded


def _air_over_metered(judged: Judged, seen: Observations) -> float:
    """Air over metered air at the highest flow at which the two were compared, by the other causes; 1 where never."""
    at = np.flatnonzero(seen.kind == "ratio")
    if judged.beside is None or not len(at):
        return 1.0
    return exp(-float(judged.beside[at[np.argmax(seen.of("air")[at])]]))


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


HYPOTHESIS = FuelSupplyLimit()
