"""What speaks for and against a cause, in sentences with figures.

`Facts` are the pattern a specialist would look at first: need at idle, light, middle and high load, metered over
speed-density air, fuel pressure, idle correction, noise of the meter. They come from the coverage and the regions; the
sentences come out.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import exp, isnan, nan

import numpy as np

from livewatch.signature.boost import Response
from livewatch.signature.coverage import Coverage
from livewatch.signature.hypotheses import FAST, Judged, most_air_lost
from livewatch.signature.observations import Observations

__all__ = ["Facts", "against", "facts_of", "for_"]

FLAT, CLEAR = 3.0, 4.0
"""Per cent of need: differences below are none, above are clear. Common practice."""
PLAINLY_LOST = 0.2
"""Share of the metered air; common practice."""


@dataclass(frozen=True, slots=True)
class Facts:
    """Need in % away from 1 (mean of the banks) by load, NaN unknown; ratio in % away from what was expected; `apart`
    the difference between banks in %; `supply` lowest pressure share in %; `idle` correction in %; meter `noise` in %;
    `pulls` and `cut`: how many, and how many with the fuel cut above command."""

    idle: float
    light: float
    middle: float
    high: float
    ratio: float
    apart: float
    supply: float
    idle_correction: float
    noise: float
    responses: tuple[Response, ...]
    cuts: int
    spread: float
    metered: bool

    @property
    def pattern(self) -> str:
        """Need by load in words."""
        parts = [
            f"{value:+.1f} % at {name}"
            for name, value in (
                ("idle", self.idle), ("light load", self.light), ("middle load", self.middle), ("high load", self.high),
            )
            if not isnan(value)
        ]  # fmt: skip
        return "need is " + ", ".join(parts) if parts else "need is not known at any load"


def facts_of(
    seen: Observations, coverage: Coverage, responses: Sequence[Response], cuts: int, spread: float, metered: bool
) -> Facts:
    """The facts of a drive; `spread` is half the declared range of volumetric efficiency as a share."""
    loads = []
    apart = []
    for group in coverage.groups:
        known = [need for need in group.need if not isnan(need)]
        loads.append(100.0 * (float(np.mean(known)) - 1.0) if known else nan)
        if len(known) == 2:
            apart.append(100.0 * (known[1] - known[0]))
    ratio = seen.y[seen.kind == "ratio"]
    supply = seen.y[seen.kind == "supply"]
    idle = seen.y[seen.kind == "idle"]
    noise = seen.regions.mean["relative_noise"] if len(seen) else np.zeros(0)
    noise = noise[~np.isnan(noise)]
    return Facts(
        loads[0],
        loads[1],
        loads[2],
        loads[3],
        100.0 * (exp(float(np.median(ratio))) - 1.0) if len(ratio) else nan,
        float(np.mean(apart)) if apart else nan,
        100.0 * exp(float(supply.min())) if len(supply) else nan,
        100.0 * float(idle[0]) if len(idle) else nan,
        100.0 * float(np.median(noise)) if len(noise) else nan,
        tuple(responses),
        cuts,
        100.0 * spread,
        metered,
    )


def _even(facts: Facts) -> bool:
    known = [value for value in (facts.idle, facts.light, facts.middle, facts.high) if not isnan(value)]
    return len(known) > 1 and max(known) - min(known) < FLAT


def _level(facts: Facts) -> float:
    known = [value for value in (facts.light, facts.middle, facts.high, facts.idle) if not isnan(value)]
    return float(np.median(known)) if known else nan


def for_(judged: Judged, facts: Facts) -> Iterator[str]:
    """What speaks for it."""
    cause = judged.cause
    if judged.family != "boost":
        yield facts.pattern
    if cause in ("meter_scale", "injector_flow", "lambda_sensor") and _even(facts):
        yield "it is the same at every load, within 3 %"
    if cause in ("meter_scale", "meter_shape") and abs(facts.ratio) > facts.spread / 2.0:
        yield f"metered air is {facts.ratio:+.1f} % away from speed-density air"
    if cause == "meter_shape" and facts.noise > 1.2:
        yield f"the meter is noisy at steady speed: {facts.noise:.1f} %"
    if cause in ("injector_flow", "injector_dead_time", "lambda_sensor") and abs(facts.ratio) < facts.spread:
        yield f"metered air agrees with speed-density air ({facts.ratio:+.1f} %)"
    if cause == "lambda_sensor" and judged.unknown >= 0.0 and judged.probability > 0.3:
        yield "need moved with time at the same loads, which parts do not"
    if cause == "vacuum_leak" and facts.idle > facts.light + FLAT:
        yield "lean at idle, and going away with more air"
    if cause == "vacuum_leak" and facts.idle_correction < -12.0:
        yield f"the idle controller takes {-facts.idle_correction:.0f} % of the air away: it comes in elsewhere"
    if cause == "injector_dead_time" and abs(facts.idle) > abs(facts.high) + FLAT:
        yield "the error is largest where the pulses are shortest"
    if cause == "pressure_leak" and facts.high < facts.light - FLAT:
        yield "richer under boost than below it: metered air is lost on the way"
    if cause == "pressure_leak" and most_air_lost(facts.responses) > PLAINLY_LOST:
        times = 1.0 / (1.0 - min(most_air_lost(facts.responses), 0.99))
        yield f"in one pull metered air rose, at once, to {times:.1f} times what the engine took in: something opened"
    if cause == "fuel_supply" and facts.supply < 95.0:
        yield f"fuel pressure across the injectors falls to {facts.supply:.0f} % of that commanded"
    if cause == "one_bank" and abs(facts.apart) > FLAT:
        yield f"bank 2 needs {facts.apart:+.1f} % more than bank 1"
    yield from _boost_for(cause, facts)


def _boost_for(cause: str, facts: Facts) -> Iterator[str]:
    if cause not in ("boost_control", "boost_creep", "underboost") or not facts.responses:
        return
    reached = [response for response in facts.responses if response.reached]
    n = len(facts.responses)
    if cause == "underboost":
        short = n - len(reached)
        if short:
            yield f"command was not reached in {short} of {n} pulls"
        ceilings = [r.at_ceiling for r in facts.responses if not isnan(r.at_ceiling)]
        if ceilings and float(np.mean(ceilings)) > 0.3:
            yield f"solenoid duty stood at its ceiling for {100.0 * float(np.mean(ceilings)):.0f} % of the time"
        return
    if facts.cuts:
        yield f"the fuel was cut above command in {facts.cuts} of {n} pulls"
    over = [r.overshoot for r in reached]
    if cause == "boost_control" and over:
        yield f"overshoot {min(over):.0f} to {max(over):.0f} kPa over {len(over)} pulls"
        swings = sum(r.swings for r in reached)
        if swings > 2 * len(reached):
            yield f"boost swings around its command, {swings} times in {len(reached)} pulls"
    if cause == "boost_creep" and reached:
        top = max(r.top_speed for r in reached)
        fast = [r for r in reached if r.top_speed > FAST * top]
        late = float(np.median([100.0 * r.late_share for r in fast]))
        floor = float(np.mean([r.at_floor for r in fast]))
        yield f"{late:.0f} % above command at the end of the pulls, rising with speed"
        if floor > 0.03:
            yield "solenoid duty is at its floor: control has nothing left to take away"


def against(judged: Judged, facts: Facts) -> Iterator[str]:
    """What speaks against it."""
    cause = judged.cause
    if cause == "everyday" and judged.probability < 0.5:
        yield "more than parts tolerance, fuel and weather usually make"
    if cause in ("meter_scale", "injector_flow") and not _even(facts) and not isnan(_level(facts)):
        yield "it is not the same at every load"
    if cause == "meter_scale" and abs(facts.ratio) < facts.spread / 2.0 and abs(_level(facts)) > CLEAR:
        yield f"metered air agrees with speed-density air ({facts.ratio:+.1f} %)"
    if cause == "injector_flow" and facts.metered and abs(facts.ratio) > facts.spread:
        yield f"metered air is {facts.ratio:+.1f} % away from speed-density air, which injectors do not change"
    if cause in ("meter_scale", "injector_flow") and facts.spread > 8.0 and facts.metered:
        yield (
            f"volumetric efficiency is known to ±{facts.spread:.0f} % only: a baseline on matching parts would tell "
            "meter and injectors apart"
        )
    if cause == "vacuum_leak" and facts.idle < facts.light + 1.0:
        yield "idle is no leaner than light load"
    if cause == "vacuum_leak" and facts.idle_correction > 5.0:
        yield f"the idle controller adds air ({facts.idle_correction:+.0f} %) where a leak would make it take away"
    if cause == "fuel_supply" and facts.supply > 97.0:
        yield "fuel pressure holds"
    if cause == "pressure_leak" and not facts.metered:
        yield "without an air meter a leak before the throttle shows as boost that falls short, and as nothing else"
    if judged.family == "boost" and 0 < len(facts.responses) < 3:
        yield f"only {len(facts.responses)} pull(s): one may be chance"
    if cause == "lambda_sensor" and judged.unknown < 0.0:
        yield "a sensor that was wrong all along looks like injectors of another size"
