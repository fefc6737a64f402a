"""What each possible cause does to the observations: the table of the trade, as functions of one size.

Observations come in; for every cause an `Effect`, or several where the shape has an unknown of its own, goes out. The
signs follow from what the engine computer does: it meters fuel for the air it believes in, so need is true over
believed air times commanded over delivered fuel, and metered over speed-density air sees the air side alone.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np

from livewatch.data.physics import leak_share
from livewatch.signature.inference import Effect
from livewatch.signature.observations import Observations, milligrams_per_ms
from livewatch.signature.readings import Column
from livewatch.signature.settled import PointMaker

__all__ = ["FLOW", "LOG_PRIOR", "SCALE", "Variant", "variants"]

LOG_PRIOR: dict[str, float] = {
    "meter_scale": -1.2,
    "meter_shape": -1.8,
    "pressure_sensor": -3.5,
    "injector_flow": -1.2,
    "injector_dead_time": -1.6,
    "one_bank": -1.5,
    "vacuum_leak": -1.5,
    "pressure_leak": -1.5,
    "fuel_supply": -1.5,
    "lambda_sensor": -2.0,
    "boost_control": -1.5,
    "boost_creep": -1.8,
    "underboost": -1.8,
}
"""Logarithm of how probable each cause is against "nothing is wrong" before any data: a judgement, common practice. A
manifold pressure sensor wrong by a factor is rare, since it would show against the barometer at every start."""
SCALE, SHAPE, FLOW, DEAD, BANK, VACUUM, PUSHED, SHORT, SENSOR = 0.15, 0.20, 0.20, 0.25, 0.15, 1.8, 8.0, 0.5, 0.06
"""Spreads of sizes beforehand: shares, ms, and g/s for two litres of displacement."""
OFFSETS, LIKELIEST_OFFSET = (0.0, 0.3, 0.6, 1.2, 2.4, 4.8), 0.3
"""kPa by which the sensor before the throttle may read above the barometer, sound up to 1.5 % of 300 kPa (common
practice); decides the leak at light load."""
DRIFTS = (60.0, 120.0, 240.0)
"""s a lambda sensor may take to drift."""
TOLD_BY_LEVEL = -2.5
"""Logarithm of the share of lambda sensor faults that are there all along rather than growing."""


@dataclass(frozen=True, slots=True, eq=False)
class Variant:
    """One shape of a cause: `unknown` is its further unknown (g/s of air or fuel, bank, s), `weight` the logarithm of
    its share among the cause's shapes."""

    cause: str
    effect: Effect
    unknown: float
    weight: float


def variants(seen: Observations, maker: PointMaker) -> Iterator[Variant]:
    """Every cause that these observations can speak about."""
    need, ratio, supply, idle = seen.on("need"), seen.on("ratio"), seen.on("supply"), seen.on("idle")
    air_side = need - ratio if maker.metered else 0.0 * need
    size = maker.displacement / 2.0
    air = np.maximum(seen.of("air"), 0.3)
    if maker.metered:
        yield Variant("meter_scale", _linear(air_side, SCALE), 0.0, 0.0)
        edges = [step * maker.displacement for step in (10.0, 18.0, 30.0, 50.0)]
        for flow in edges:
            bend = (air / flow) ** 2
            bend = bend / (1.0 + bend)
            yield Variant("meter_shape", _log(-air_side, bend, SHAPE), flow, -np.log(len(edges)))
    else:
        yield Variant("pressure_sensor", _linear(need, SCALE), 0.0, 0.0)
    yield Variant("injector_flow", _linear(need, FLOW), 0.0, 0.0)
    late = np.nan_to_num(milligrams_per_ms(seen.regions, maker)[0] / np.maximum(seen.of("charge"), 1.0))
    yield Variant("injector_dead_time", _log(-need, -late, DEAD), 0.0, 0.0)
    if maker.banks == 2:
        for bank in (1, 2):
            yield Variant("one_bank", _linear(seen.on(f"need_{bank}"), BANK), float(bank), -np.log(2.0))
    inwards = np.nan_to_num(seen.of("vacuum")) / air
    vacuum = _leak(air_side, inwards, idle, VACUUM * size, maker.metered)
    yield Variant("vacuum_leak", vacuum, 0.0, -np.log(2.0))
    yield from _begun(seen, "vacuum_leak", vacuum)
    if maker.boosted and maker.metered:
        for offset in OFFSETS:
            outwards = np.maximum(0.0, np.nan_to_num(-leak_share(seen.of("boost") - offset, seen.of("outside")))) / air
            effect = _log(air_side, -outwards, PUSHED * size, 0.0)
            yield Variant("pressure_leak", effect, offset, -np.log(2.0 * len(OFFSETS)))
            if offset == LIKELIEST_OFFSET:
                yield from _begun(seen, "pressure_leak", effect)
    yield from _supply(seen, need, supply)
    yield from _sensor(seen, need)


def _linear(column: Column, spread: float) -> Effect:
    return Effect(lambda size: size * column, lambda size: column, spread, linear=True)


def _log(sign: Column, feature: Column, spread: float, low: float = -np.inf) -> Effect:
    """sign * log(1 + size * feature), kept away from a logarithm of nothing."""

    def mean(size: Any) -> Column:
        change: Column = sign * np.log(np.maximum(1.0 + size * feature, 0.15))
        return change

    def slope(size: float) -> Column:
        inside = 1.0 + size * feature
        return np.where(inside > 0.15, sign * feature / np.maximum(inside, 0.15), 0.0)

    return Effect(mean, slope, spread, low)


def _leak(air_side: Column, inwards: Column, idle: Column, spread: float, metered: bool) -> Effect:
    """Air that comes in behind the meter; at idle the controller shuts the throttle by as much."""
    plain = _log(air_side, inwards, spread, 0.0)

    def share(size: Any) -> Column:
        taken = size * inwards
        less: Column = idle * np.minimum(taken / (1.0 + taken) if metered else taken, 0.8)
        return less

    def share_slope(size: float) -> Column:
        taken = size * inwards
        return idle * np.where(taken < 0.8, inwards / (1.0 + taken) ** 2 if metered else inwards, 0.0)

    return Effect(
        lambda size: plain.mean(size) - share(size), lambda size: plain.slope(size) - share_slope(size), spread, 0.0
    )


def _begun(seen: Observations, cause: str, effect: Effect) -> Iterator[Variant]:
    """The same, begun in the middle of the drive: hoses come off. `unknown` is minus the stretch it began in."""
    stretch = seen.regions.stretch[seen.row]
    last = int(stretch.max()) if len(stretch) else 0
    for start in range(1, last + 1):
        mask: Column = (stretch >= start).astype(np.float64)
        yield Variant(cause, _masked(effect, mask), float(-start), -np.log(2.0 * last))


def _masked(effect: Effect, mask: Column) -> Effect:
    return Effect(
        lambda size: mask * effect.mean(size), lambda size: mask * effect.slope(size), effect.spread, effect.low
    )


def _supply(seen: Observations, need: Column, supply: Column) -> Iterator[Variant]:
    """Fuel pressure, and with its square root fuel, falling from some fuel flow on."""
    fuel = np.nan_to_num(seen.of("fuel"))
    most = float(fuel.max()) if len(fuel) else 0.0
    if most <= 0.0:
        return
    limits = [most * (0.25 + 0.04 * step) for step in range(19)]
    for limit in limits:
        beyond = np.maximum(fuel - limit, 0.0) / limit
        pressure = _log(supply - 0.5 * need, -beyond, SHORT * 2.0, 0.0)
        yield Variant("fuel_supply", pressure, limit, -np.log(len(limits)))


def _sensor(seen: Observations, need: Column) -> Iterator[Variant]:
    """A lambda sensor that reads wrong: from the beginning, or more and more."""
    yield Variant("lambda_sensor", _linear(need, SENSOR), -1.0, TOLD_BY_LEVEL)
    used = seen.regions.stretch[seen.row]
    if not len(used) or int(used.max()) < 1:
        return
    end = float(seen.regions.middle[int(used.max())])
    starts = [0.0, 0.25 * end, 0.5 * end]
    share = float(np.log((1.0 - np.exp(TOLD_BY_LEVEL)) / (len(starts) * len(DRIFTS))))
    for start in starts:
        for drift in DRIFTS:
            grown = np.clip((seen.of("time") - start) / drift, 0.0, 1.0)
            yield Variant("lambda_sensor", _linear(grown * need, SENSOR), start, share)
