"""From evidence to one vector of observations, and how far each may stray on a car whose parts match.

Regions come in; an `Observations` goes out: logarithms of need, of metered over speed-density air, and of fuel supply
pressure, idle correction and how much lambda moves beside them, with the covariance that everyday causes give them
together. Nothing here knows what may be wrong.
"""

from __future__ import annotations

from collections.abc import Mapping
from math import isnan, log, nan, sqrt

import numpy as np
from numpy.typing import NDArray

from livewatch.data.middle import median
from livewatch.data.physics import STANDARD_PRESSURE, Number
from livewatch.profile.fuels import GASOLINE_DENSITY, blend_density, blend_share, ethanol_blend_ratio
from livewatch.signature.evidence.baseline import Baseline, Expected
from livewatch.signature.evidence.everyday import BEYOND_KNOWN, OPEN, add_everyday
from livewatch.signature.evidence.evidence import Regions
from livewatch.signature.evidence.mixture import USUAL_RICH
from livewatch.signature.evidence.observations import Observations
from livewatch.signature.evidence.readings import Column
from livewatch.signature.evidence.settled import PointMaker

__all__ = ["LIFTED", "PART", "PRESSURE_ERROR", "counted_of", "ethanol_of", "gather", "humidity_of", "idle_at"]

Part = tuple[NDArray[np.int64], NDArray[np.str_], Column, Column]
"""Observations of one kind: rows in the regions, kind, values, variances."""
COUNTED = 0.010
"""How far a computer's own air over its litres of fuel may be from what it counts with: rounding, moments, a density
that is not quite that of its blend; common practice, and simulated cars (0.002)."""
NO_RATIO = 1.0
"""How far (logarithm) from the calibrated one no stoichiometric ratio is: a baseline's file may say anything."""
APART = 0.005
"""By how much need or ratio may differ from one region to the next that a baseline has; common practice."""
COUNTED_APART = 0.004
"""By how much that may differ between two drives of one car; common practice, and simulated cars (0.001)."""
USUAL_HUMIDITY, WATER_TO_AIR = 0.55, 0.622
"""Relative humidity of usual weather (common practice), and mass of water over that of air, mole for mole."""
VISIT = 0.008
"""Scatter between visits where too few are known to say."""
VISIT_WEIGHT = 4.0
"""Visits that such a scatter is worth; a judgement."""
LESSER = 0.015
"""What a visit may be wrong by that is no settled driving: films, lags and learning of a moment; common practice, and
pulls of simulated cars."""
FEW = 0.012
"""What one visit alone may be wrong by: something that the test for settled data did not see."""
FAR, FAR_KNOWN = 0.22, 0.2
"""Need (logarithm) beyond which no trim follows it, and the share of what is beyond by which it may be off: then the
mixture is far from the commanded one, where lambda sensors are coarse and not all of it burns; common practice."""
BEYOND = 0.16
"""How far (logarithm) need usually is beyond what trims say that stand at their limit: the mean of half a normal
distribution of a fifth; common practice."""
IDLE_CORRECTION = 0.11
"""Share of idle air that its correction may be away from 0 on an engine in order; common practice."""
OUTLIER, NEIGHBOURS = 0.12, 4
"""How far the ratio of one region may be from the others, as a logarithm, before it is doubted; and how many it takes
to say what is usual at a flow."""
PART, LIFTED, AWAY = 0.9, 0.15, 0.05
"""Share of the pressure outside below which the manifold is at part load; kPa before the throttle, above what is usual
there, from which something may be pushed out; and how far from usual (logarithm) is doubted then. Common practice."""
PRESSURE_ERROR = 5.0
"""kPa by which a pressure sensor of 300 kPa and the barometer may differ: ±1.5 % of its range; common practice."""
MEAN_SHAPE = 0.20
"""Usual fall of volumetric efficiency one peak speed away from the peak (Guzzella and Onder 2010, section 2.3.3)."""
PEAK_SPEED = 4300.0
"""rpm at which volumetric efficiency is usually best; common practice."""
COMMON = 0.018
"""Everyday spread of need as one factor: injectors, meter and lambda sensor within their tolerances, humidity. Those
of the parts are common practice, no source."""
COMMON_FUEL_UNKNOWN = 0.030
"""The same without a sensor for ethanol, on pump fuels from E0 to E20."""
COMMON_APART, COMMON_FUEL_APART = 0.008, 0.015
"""Everyday spread of need from one drive of a car to another: lambda sensor, humidity, pump fuels; and the same without
a sensor for ethanol. Common practice, and simulated cars (0.003 with the sensor)."""
COMMON_SPEED_DENSITY = 0.020
"""What a pressure sensor and the breathing of an engine without an air meter add to that; common practice."""
USUAL_RIPPLE, RIPPLE_APART = 0.002, 0.35
"""How much lambda moves from look to look on an engine in order, and the spread of the logarithm between cars; common
practice, and simulated cars."""
RIPPLE_VISITS = 5.0
"""Visits from which that is known."""
SUPPLY_NOISE = 0.010
"""Share by which the fuel pressure of one visit may be off; common practice."""


def usual_efficiency_shape(speed: Column) -> Column:
    """Volumetric efficiency over its best, a parabola over speed: the usual shape of engines, not known of this one."""
    away = (speed - PEAK_SPEED) / PEAK_SPEED
    return 1.0 - MEAN_SHAPE * away * away


def gather(regions: Regions, maker: PointMaker, baseline: Baseline | None) -> Observations:
    """Everything the evidence says that hypotheses are judged by. Rows are regions and stretches of the drive."""
    against = baseline.at(regions) if baseline else {}
    usual = _humidity(regions)
    if baseline:
        # The weather of the two days: by its difference, and not at all where either is not known.
        usual = np.nan_to_num(np.where(np.isnan(regions.mean["weather"]), np.nan, usual - baseline.humidity))
    parts = [_need(regions, f"need_{bank}", against, usual) for bank in (1, 2)[: maker.banks]]
    if not baseline:
        parts.append(_need(regions, "open_1", against, usual + log(USUAL_RICH), OPEN))
    if maker.metered:
        parts.append(_ratio(regions, maker, against))
    parts += [_supply(regions), _idle(regions), *(_ripple(regions, bank) for bank in (1, 2)[: maker.banks])]
    row, kind, y, noise = (np.concatenate(columns) for columns in zip(*parts, strict=True))
    fuel_shift = _fuel_shift(regions, maker, baseline)
    common = COMMON_FUEL_UNKNOWN if np.isnan(fuel_shift) else COMMON
    if not maker.metered:
        common = sqrt(common**2 + COMMON_SPEED_DENSITY**2)
    if baseline:
        common = min(common, COMMON_FUEL_APART if np.isnan(fuel_shift) else COMMON_APART)
    result = Observations(
        y,
        np.diag(noise),
        row,
        kind,
        regions,
        0.0 if np.isnan(fuel_shift) else fuel_shift,
        0.0 if np.isnan(fuel_shift) else _corrected(regions, maker, baseline),
        common,
    )
    if len(result):
        add_everyday(result, maker, baseline is not None)
    for name, expected in against.items():
        _add_expected(result, name, expected)
    return result


def _add_expected(seen: Observations, name: str, expected: Expected) -> None:
    """Add to the covariance how well a baseline knows what it is compared with: a few visits, alike for all that is
    compared with them, or another region, in common."""
    at = np.flatnonzero(seen.kind == name)
    row = seen.row[at]
    place, visits, apart = expected.place[row], expected.visits[row], APART * expected.apart[row]
    noise = _scatter(seen.regions, name) / visits + (FEW / visits) ** 2
    seen.covariance[at[:, None], at] += noise * (place[:, None] == place) + apart[:, None] * apart


def _scatter(regions: Regions, name: str) -> float:
    """Variance between visits of one region, all regions pooled, with a prior worth a few visits."""
    count, mean = regions.count[f"log_{name}"], regions.mean[f"log_{name}"]
    square = regions.mean[f"square_{name}"]
    with np.errstate(invalid="ignore"):
        within = np.where(count > 1, np.maximum(square - mean * mean, 0.0) * count, 0.0)
    degrees = float(np.where(count > 1, count - 1, 0).sum())
    return (VISIT_WEIGHT * VISIT**2 + float(np.nansum(within))) / (VISIT_WEIGHT + degrees)


def _part(kind: str, row: NDArray[np.int64], y: Column, noise: Column) -> Part:
    return row, np.full(len(row), kind), y, noise


def _need(regions: Regions, name: str, against: Mapping[str, Expected], usual: Column, kind: str = "") -> Part:
    at = np.flatnonzero(regions.count[f"log_{name}"])
    known = regions.count[f"log_{name}"][at]
    expected = against[name].value if name in against else 0.0
    y = (regions.mean[f"log_{name}"] - expected - usual)[at]
    doubt = (FAR_KNOWN * np.maximum(0.0, np.abs(y) - FAR)) ** 2 + LESSER**2 * regions.lesser[at]
    # Only a bound where trims or sensor are at their end.
    behind = regions.mean[f"at_limit_{name[-1]}"][at]
    y = y + BEYOND * behind
    doubt = doubt + (BEYOND_KNOWN * behind) ** 2 + _barely_pushed(regions, y, at)
    return _part(kind or name, at, y, _scatter(regions, name) / known + (FEW / known) ** 2 + 1.5e-3**2 + doubt)


def _barely_pushed(regions: Regions, y: Column, at: NDArray[np.int64]) -> Column:
    """Variances of what is far from the rest at part load while hardly more pressure than usual stands before the
    throttle, as after a pull: what a hole lets out there is as unsure as that pressure, and no look is as settled as it
    seems. As much noise as they are away."""
    across = (regions.mean["boost"] - regions.mean["outside"])[at]
    part = (regions.mean["pressure"] < PART * regions.mean["outside"])[at] & ~np.isnan(across)
    if not part.any():
        return np.zeros(len(at))
    lift = across - median(across[part])
    barely = part & (lift > LIFTED) & (lift <= PRESSURE_ERROR)
    if not barely.any():
        return np.zeros(len(at))
    away: Column = np.where(barely, np.maximum(0.0, np.abs(y - median(y[part & ~barely])) - AWAY), 0.0)
    return away**2


def _ratio(regions: Regions, maker: PointMaker, against: Mapping[str, Expected]) -> Part:
    count = regions.count["log_ratio"]
    at = np.flatnonzero((count > 0.0) & ~regions.lesser)
    if "ratio" in against:
        expected = against["ratio"].value
    else:
        expected = np.log(maker.efficiency * usual_efficiency_shape(regions.mean["speed"]))
    y = (regions.mean["log_ratio"] - expected)[at]
    noise = _scatter(regions, "ratio") / count[at] + (FEW / count[at]) ** 2 + 2e-3**2
    # Ratios far from all others at about their flow get as much noise as they are away: pressure, temperature and meter
    # may have been caught at different moments.
    usual = _around(y, regions.flow[at])
    noise = noise + np.maximum(0.0, np.abs(y - usual) - OUTLIER) ** 2 + _barely_pushed(regions, y, at)
    return _part("ratio", at, y, noise)


def _around(y: Column, flow: NDArray[np.int64]) -> Column:
    """For each value the median of those in bins of flow next to its own; of all where those are too few to say."""
    usual = np.full(len(y), median(y)) if len(y) else y
    for one in sorted(set(flow.tolist())):  # not numpy's: it would load its masked arrays for that
        near = y[np.abs(flow - one) <= 1]
        if len(near) >= NEIGHBOURS:
            usual[flow == one] = median(near)
    return usual


def _supply(regions: Regions) -> Part:
    at = np.flatnonzero(regions.count["supply"])
    y = np.log(np.maximum(regions.mean["supply"][at], 0.05))
    return _part("supply", at, y, SUPPLY_NOISE**2 / regions.count["supply"][at] + LESSER**2 * regions.lesser[at] + 1e-6)


def _idle(regions: Regions) -> Part:
    """One observation: the idle air correction, as a share, the thinner air of altitude taken off."""
    count = regions.count["idle_correction"]
    if not count.sum():
        return _part("idle", np.zeros(0, np.int64), np.zeros(0), np.zeros(0))
    known = count > 0
    weight = count[known] / count[known].sum()
    correction = float((regions.mean["idle_correction"][known] * weight).sum()) / 100.0
    outside = float((regions.mean["outside"][known] * weight).sum())
    expected = 0.0 if np.isnan(outside) else idle_at(outside)
    row = np.array([np.argmax(count)], np.int64)
    return _part("idle", row, np.array([correction - expected]), np.array([IDLE_CORRECTION**2]))


def _ripple(regions: Regions, bank: int) -> Part:
    """One observation: how much more than usual lambda moves from look to look at steady load, as a logarithm. Less
    than usual says nothing, as a computer may smooth what it tells."""
    name = f"ripple_{bank}"
    count = np.where(regions.lesser, 0.0, regions.count[name])
    if count.sum() < RIPPLE_VISITS:
        return _part(name, np.zeros(0, np.int64), np.zeros(0), np.zeros(0))
    more = max(median(regions.mean[name][count > 0.0]) / USUAL_RIPPLE, 1.0)
    row = np.array([np.argmax(count)], np.int64)
    return _part(name, row, np.array([log(more)]), np.array([RIPPLE_APART**2]))


def idle_at(outside: Number) -> Number:
    """The share by which a sound engine's idle air is corrected in air of that pressure, kPa: thin air takes more."""
    return STANDARD_PRESSURE / outside - 1.0


def ethanol_of(regions: Regions) -> float:
    """Mean % of ethanol in the fuel, NaN without a sensor."""
    count = regions.count["ethanol"]
    return float(np.nansum(regions.mean["ethanol"] * count) / count.sum()) if count.sum() else float("nan")


def _fuel_shift(regions: Regions, maker: PointMaker, baseline: Baseline | None) -> float:
    """log of stoichiometric ratio calibrated (or of the baseline's fuel) over that of the fuel in the tank, less what
    more of it a denser one gives through the same injectors: mass flow goes with the square root of density
    (Bernoulli). NaN without a sensor."""
    usual, density = maker.stoichiometric, _calibrated_density(maker)
    if baseline is not None:
        usual, density = _blend(baseline.ethanol), blend_density(baseline.ethanol / 100.0)
    tank = ethanol_of(regions)
    return log(usual / _blend(tank)) - 0.5 * log(blend_density(tank / 100.0) / density)


def _calibrated_density(maker: PointMaker) -> float:
    """kg/L of the fuel calibrated for; gasoline's where it is no blend."""
    return blend_density((blend_share(maker.engine.fuel) if maker.engine else None) or 0.0)


def _blend(ethanol: float) -> float:
    return float("nan") if isnan(ethanol) else ethanol_blend_ratio(min(max(ethanol / 100.0, 0.0), 1.0))


def counted_of(regions: Regions) -> float:
    """Logarithm of the stoichiometric ratio that the computer counts with, by the air it counts and the litres it says
    it gives, times the density of what it counts with, kg/L: the one cannot be told from the other. NaN without a fuel
    rate."""
    known = regions.count["counted"] > 0
    # The median keeps out regions where fuel rate and air were caught at different moments.
    return log(median(regions.mean["counted"][known]) * GASOLINE_DENSITY) if known.any() else nan


def _corrected(regions: Regions, maker: PointMaker, baseline: Baseline | None) -> float:
    """Whether the computer counts with the fuel in the tank rather than with that of the calibration: logarithm of the
    odds. A baseline on another fuel tells more, as what is off there is off here. 0 without a fuel rate."""
    calibrated = log(maker.stoichiometric * _calibrated_density(maker))
    pairs = [(counted_of(regions), ethanol_of(regions))]
    if baseline and abs(baseline.counted - calibrated) < NO_RATIO:
        pairs.append((baseline.counted, baseline.ethanol))
    known = np.array([pair for pair in pairs if not np.isnan(pair).any()]).reshape(-1, 2)
    off = known[:, 0] - calibrated
    away = known[:, 0] - [log(_blend(share) * blend_density(share / 100.0)) for share in known[:, 1]]
    same = COUNTED**2 - COUNTED_APART**2 / 2.0
    weight = np.linalg.inv(np.full((len(known), len(known)), same) + (COUNTED**2 - same) * np.eye(len(known)))
    return 0.5 * float(off @ weight @ off - away @ weight @ away)


def humidity_of(regions: Regions) -> float:
    """What the water vapour of usual weather took of need over all visits, as a logarithm; NaN where no weather is
    known."""
    count = np.where(np.isnan(regions.mean["weather"]), 0.0, regions.count["log_need_1"])
    return float((_humidity(regions) * count).sum() / count.sum()) if count.sum() else float("nan")


def _humidity(regions: Regions) -> Column:
    """What the water vapour of usual weather takes of need in each region, as a logarithm: it is counted as air, but
    carries no oxygen."""
    warm = np.clip(regions.mean["weather"], -30.0, 45.0)
    # Magnus' formula with the constants of WMO-No. 8 (2018), annex 4.B: kPa over water.
    saturated = 0.6112 * np.exp(17.62 * warm / (243.12 + warm))
    outside = np.nan_to_num(regions.mean["outside"], nan=STANDARD_PRESSURE)
    share: Column = np.nan_to_num(WATER_TO_AIR * USUAL_HUMIDITY * saturated / outside)
    return np.log1p(-share)
