"""From evidence to one vector of observations, and how far each may stray on a car whose parts match.

Regions come in; an `Observations` goes out: logarithms of need, of metered over speed-density air, and of fuel supply
pressure, idle correction beside them, with the covariance that everyday causes give them together: part tolerances,
fuel and sensors (one factor everywhere), tables that are smooth but never exact, a volumetric efficiency known as a
range only, and the scatter between visits. Nothing here knows what may be wrong.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import isnan, log, sqrt

import numpy as np
from numpy.typing import NDArray

from livewatch.data.physics import STANDARD_PRESSURE
from livewatch.profile.fuels import ethanol_blend_ratio
from livewatch.signature.baseline import Baseline
from livewatch.signature.evidence import Regions
from livewatch.signature.readings import Column
from livewatch.signature.settled import PointMaker

__all__ = ["INJECTORS", "METER", "Observations", "ethanol_of", "milligrams_per_ms", "observe"]

INJECTORS = 0.015
"""Spread of the flow of injectors that match: makers accept ±3 %, two standard deviations; common practice."""
COMMON = 0.018
"""Everyday spread of need as one factor: injectors, meter and lambda sensor within their tolerances, humidity. Those
of the parts are common practice, no source."""
COMMON_FUEL_UNKNOWN = 0.030
"""The same without a sensor for ethanol, on pump fuels from E0 to E20."""
COMMON_SPEED_DENSITY = 0.020
COUNTED = 0.015
"""How far the ratio of a computer's own air and fuel may be from what it counts with: rounding, moments, the density it
gives litres with."""
USUAL_HUMIDITY, WATER_TO_AIR = 0.55, 0.622
"""Relative humidity of usual weather (common practice), and mass of water over that of air, mole for mole."""
USUAL_RATE, USUAL_BOOSTED = 7.5, 13.0
"""mg/ms of an injector for each litre of its cylinder, of engines without and with a turbocharger: 70 and 120 kW/L at
0.3 kg/kWh (Heywood 1988, section 2.7, quotes 0.25 to 0.35), open for 80 % of the time there (common practice)."""
SLOPE_KNOWN, SIZE_KNOWN = 0.03, 0.25
"""Shares, one standard deviation, by which those may be off: from the computer's own pulses, and by the usual size."""
BANKS_APART = 0.012
SMOOTH, SMOOTH_FLOW, SMOOTH_SPEED = 0.011, 0.8, 1800.0
"""Error of tables: its size, and over which ratio of flow (logarithm) and rpm it changes."""
LEVEL, LEVEL_FLOW = 0.012, 2.2
"""Slow error over flow, as meters and tables drift: its size, and over which ratio of flow (logarithm) it changes."""
REGION = 0.004
IDLE_OFFSET = 0.07
"""g/s of air by other ways than the meter on a sound engine: crankcase gas, brake servo."""
DEAD_TIME = 0.015
"""ms by which dead times vary between injectors of one kind."""
METER = 0.010
"""Spread of the scale of meters that match; common practice."""
PULSATION = 0.02
"""A meter's error near full load at low speed, where the flow pulsates back."""
PRESSURE_OFFSET = 0.4
"""kPa of offset of a manifold pressure sensor."""
PURGE = 0.03
"""What fuel vapour may take at part load when the purge valve is not seen."""
VISIT = 0.008
"""Scatter between visits where too few are known to say."""
VISIT_WEIGHT = 4.0
FEW = 0.012
"""What one visit alone may be wrong by: something that the test for settled data did not see."""
SPEED_SHAPE, SPEED_BEND, LOAD_SHAPE = 0.04, 0.05, 0.03
"""How volumetric efficiency may depend on speed and pressure besides the usual shape."""
IDLE_BREATHING, IDLE_REGION = 0.15, 0.06
"""How far volumetric efficiency at idle may be from usual, where burned gas takes much of the cylinder: in common, and
for each region on its own; common practice."""
SUPPLY_OFFSET, SUPPLY_NOISE = 0.010, 0.010
DROOP = 0.02
"""Share of fuel pressure that a sound supply lets go at the highest flow, growing with its square; common practice."""
IDLE_CORRECTION = 0.11
OUTLIER = 0.12
"""How far the ratio of one region may be from the others, as a logarithm, before it is doubted."""
MEAN_SHAPE = 0.20
"""Usual fall of volumetric efficiency one peak speed away from the peak (Guzzella and Onder 2010, section 2.3.3)."""
PEAK_SPEED = 4300.0


@dataclass(frozen=True, slots=True, eq=False)
class Observations:
    """n observations y and what speaks about them.

    Attributes:
        y: float64 (n,).
        covariance: float64 (n, n), of y on a car whose parts match.
        row: int64 (n,), index into `regions`.
        kind: str (n,): need_1, need_2, ratio, supply, idle.
        regions: what the rows point into.
        fuel_shift: what the ethanol sensor says need should be away from 0 if the computer does not correct for it.
        corrected: logarithm of how much more probable it is, by the computer's own fuel rate, that it does correct.
        common: spread of the common factor of need that went into the covariance.
    """

    y: Column
    covariance: Column
    row: NDArray[np.int64]
    kind: NDArray[np.str_]
    regions: Regions
    fuel_shift: float
    corrected: float
    common: float

    def on(self, kind: str) -> Column:
        """1.0 where an observation is of a kind (a prefix of it), else 0.0."""
        return np.char.startswith(self.kind, kind).astype(np.float64)

    def of(self, name: str) -> Column:
        """The mean of a field in the region of each observation."""
        return self.regions.mean[name][self.row]

    def __len__(self) -> int:
        return len(self.y)


def usual_efficiency_shape(speed: Column) -> Column:
    """Volumetric efficiency over its best, a parabola over speed: the usual shape of engines, not known of this one."""
    away = (speed - PEAK_SPEED) / PEAK_SPEED
    return 1.0 - MEAN_SHAPE * away * away


def observe(regions: Regions, maker: PointMaker, baseline: Baseline | None) -> Observations:
    """Everything the evidence says that hypotheses are judged by. Rows are regions and stretches of the drive."""
    mean, count = regions.mean, regions.count
    rows: list[int] = []
    kinds: list[str] = []
    values: list[float] = []
    noise: list[float] = []
    names = ["need_1", "need_2"][: maker.banks]
    against = baseline.at(regions) if baseline else {}
    usual = np.zeros(len(regions)) if baseline else _humidity(regions)
    for name in names:
        scatter = _scatter(regions, name)
        for place in range(len(regions)):
            known = float(count[f"log_{name}"][place])
            if known:
                rows.append(place)
                kinds.append(name)
                values.append(float(mean[f"log_{name}"][place] - against.get(name, usual)[place]))
                noise.append(scatter / known + (FEW / known) ** 2 + 1.5e-3**2)
    if maker.metered:
        shape = np.log(maker.efficiency * usual_efficiency_shape(mean["speed"]))
        expected = against.get("ratio", shape)
        scatter = _scatter(regions, "ratio")
        for place in range(len(regions)):
            known = float(count["log_ratio"][place])
            if known:
                rows.append(place)
                kinds.append("ratio")
                values.append(float(mean["log_ratio"][place] - expected[place]))
                noise.append(scatter / known + (FEW / known) ** 2 + 2e-3**2)
        _doubt_outliers(kinds, values, noise)
    for place in range(len(regions)):
        if count["supply"][place]:
            rows.append(place)
            kinds.append("supply")
            values.append(log(max(float(mean["supply"][place]), 0.05)))
            noise.append(SUPPLY_NOISE**2 / float(count["supply"][place]) + 1e-6)
    _idle(regions, rows, kinds, values, noise)
    fuel_shift = _fuel_shift(regions, maker, baseline)
    common = COMMON_FUEL_UNKNOWN if np.isnan(fuel_shift) else COMMON
    if not maker.metered:
        common = sqrt(common**2 + COMMON_SPEED_DENSITY**2)
    if baseline:
        common = min(common, 0.015)
    result = Observations(
        np.array(values),
        np.diag(np.array(noise)) if noise else np.zeros((0, 0)),
        np.array(rows, np.int64),
        np.array(kinds, np.str_) if kinds else np.zeros(0, "<U8"),
        regions,
        0.0 if np.isnan(fuel_shift) else fuel_shift,
        0.0 if np.isnan(fuel_shift) else _corrected(regions, maker),
        common,
    )
    if len(result):
        _everyday(result, maker, baseline is not None)
    return result


def _scatter(regions: Regions, name: str) -> float:
    """Variance between visits of one region, all regions pooled, with a prior worth a few visits."""
    count, mean = regions.count[f"log_{name}"], regions.mean[f"log_{name}"]
    square = regions.mean[f"square_{name}"]
    with np.errstate(invalid="ignore"):
        within = np.where(count > 1, np.maximum(square - mean * mean, 0.0) * count, 0.0)
    degrees = float(np.where(count > 1, count - 1, 0).sum())
    return (VISIT_WEIGHT * VISIT**2 + float(np.nansum(within))) / (VISIT_WEIGHT + degrees)


def _doubt_outliers(kinds: list[str], values: list[float], noise: list[float]) -> None:
    """Give ratios far from all others as much noise as they are away: pressure, temperature and meter may have been
    caught at different moments."""
    places = [place for place, kind in enumerate(kinds) if kind == "ratio"]
    if places:
        middle = float(np.median([values[place] for place in places]))
        for place in places:
            noise[place] += max(0.0, abs(values[place] - middle) - OUTLIER) ** 2


def _idle(regions: Regions, rows: list[int], kinds: list[str], values: list[float], noise: list[float]) -> None:
    """One observation: the idle air correction, as a share, the thinner air of altitude taken off."""
    count = regions.count["idle_correction"]
    if not count.sum():
        return
    known = count > 0
    weight = count[known] / count[known].sum()
    correction = float((regions.mean["idle_correction"][known] * weight).sum()) / 100.0
    outside = float((regions.mean["outside"][known] * weight).sum())
    expected = 0.0 if np.isnan(outside) else STANDARD_PRESSURE / outside - 1.0
    rows.append(int(np.argmax(count)))
    kinds.append("idle")
    values.append(correction - expected)
    noise.append(IDLE_CORRECTION**2)


def ethanol_of(regions: Regions) -> float:
    """Mean % of ethanol in the fuel, NaN without a sensor."""
    count = regions.count["ethanol"]
    return float(np.nansum(regions.mean["ethanol"] * count) / count.sum()) if count.sum() else float("nan")


def _fuel_shift(regions: Regions, maker: PointMaker, baseline: Baseline | None) -> float:
    """log of stoichiometric ratio calibrated (or of the baseline's fuel) over that of the fuel in the tank; NaN without
    a sensor."""
    usual = maker.stoichiometric
    if baseline is not None:
        usual = _blend(baseline.ethanol)
    return log(usual / _blend(ethanol_of(regions)))


def _blend(ethanol: float) -> float:
    return float("nan") if isnan(ethanol) else ethanol_blend_ratio(min(max(ethanol / 100.0, 0.0), 1.0))


def _corrected(regions: Regions, maker: PointMaker) -> float:
    """Whether the computer counts with the stoichiometric ratio of the fuel in the tank rather than with that of the
    calibration, from the fuel it says it gives to the air it counts: logarithm of the odds. 0 without a fuel rate."""
    count = regions.count["counted"]
    if not count.sum():
        return 0.0
    known = count > 0
    # The median keeps out regions where fuel rate and air were caught at different moments.
    ratio = log(float(np.median(regions.mean["counted"][known])))
    tank = log(_blend(ethanol_of(regions)))
    return 0.5 * ((ratio - log(maker.stoichiometric)) ** 2 - (ratio - tank) ** 2) / COUNTED**2


def _humidity(regions: Regions) -> Column:
    """What the water vapour of usual weather takes of need in each region, as a logarithm: it is counted as air, but
    carries no oxygen."""
    warm = np.clip(regions.mean["weather"], -30.0, 45.0)
    # Magnus' formula with the constants of WMO-No. 8 (2018), annex 4.B: kPa over water.
    saturated = 0.6112 * np.exp(17.62 * warm / (243.12 + warm))
    outside = np.nan_to_num(regions.mean["outside"], nan=STANDARD_PRESSURE)
    share: Column = np.nan_to_num(WATER_TO_AIR * USUAL_HUMIDITY * saturated / outside)
    return np.log1p(-share)


def _everyday(seen: Observations, maker: PointMaker, compared: bool) -> None:
    """Add what everyday causes give together to the covariance."""
    need, ratio, supply = seen.on("need"), seen.on("ratio"), seen.on("supply")
    speed, air, pressure, outside = (seen.of(name) for name in ("speed", "air", "pressure", "outside"))
    still = np.nan_to_num(1.0 / np.maximum(pressure, 15.0), nan=0.01)
    with np.errstate(invalid="ignore"):
        full = ((pressure > 0.9 * outside) & (speed < 2300.0)).astype(np.float64)
    thin = np.nan_to_num(np.maximum(0.0, 1.0 - np.maximum(pressure - 25.0, 0.0) / 25.0))
    away = (speed - 3500.0) / 2500.0
    load = np.nan_to_num(np.log(np.maximum(pressure, 15.0) / 100.0))
    leak = np.nan_to_num(seen.of("vacuum")) / np.maximum(air, 0.3)
    charge = seen.of("charge")
    regions = seen.regions
    late = np.nan_to_num(1.0 / np.maximum(charge, 1.0)) * milligrams_per_ms(regions, maker)[0]
    fuel = np.nan_to_num(seen.of("fuel"))
    flow = fuel / max(float(fuel.max()), 1e-9)
    sharp = 0.5 if compared else 1.0
    loads: list[Column] = [
        seen.common * need,
        METER * sharp * (need - ratio) if maker.metered else np.zeros(len(seen)),
        DEAD_TIME * sharp * late * need,
        IDLE_OFFSET * sharp * leak * (need - ratio if maker.metered else 0.0 * need),
        SUPPLY_OFFSET * supply,
        DROOP * flow * flow * (supply - 0.5 * need),
    ]
    if maker.banks == 2:
        loads += [BANKS_APART * sharp * seen.on(f"need_{bank}") for bank in (1, 2)]
    if maker.metered:
        # Half the width of the declared range is taken for two standard deviations.
        spread = 0.01 if compared else maker.efficiency_spread / 2.0
        loads += [
            PULSATION * sharp * full * (need - ratio),
            spread * ratio,
            SPEED_SHAPE * sharp * away * ratio,
            SPEED_BEND * sharp * away * away * ratio,
            LOAD_SHAPE * sharp * load * ratio,
            PRESSURE_OFFSET * still * ratio,
            IDLE_BREATHING * thin * ratio,
        ]
    else:
        loads += [PRESSURE_OFFSET * still * need, 0.01 * sharp * load * need]
    if "purge_duty" not in maker.there:
        part = ((air / maker.displacement > 1.8) & (np.nan_to_num(pressure) < 0.95 * np.nan_to_num(outside))) * 1.0
        loads.append(PURGE * part * need)
    factors = np.array(loads)
    total = seen.covariance
    total += factors.T @ factors
    log_flow = np.log(np.maximum(regions.mean["air"], 0.1))
    apart = log_flow[:, None] - log_flow[None, :]
    turns = regions.mean["speed"][:, None] - regions.mean["speed"][None, :]
    near = np.exp(-0.5 * ((apart / SMOOTH_FLOW) ** 2 + (turns / SMOOTH_SPEED) ** 2))
    far = np.exp(-0.5 * (apart / LEVEL_FLOW) ** 2)
    cell = regions.speed * 1000 + regions.flow
    same = (REGION * sharp) ** 2 * (cell[:, None] == cell[None, :])
    air_side = need - ratio if maker.metered else need
    for column, together in (
        (need, (SMOOTH * sharp) ** 2 * near + same),
        (ratio, SMOOTH**2 * near + same),
        (air_side, (LEVEL * sharp) ** 2 * far + same),
    ):
        total += (column[:, None] * column[None, :]) * together[seen.row][:, seen.row]
    # So that the covariance can be factorised whatever came in.
    total += np.eye(len(seen)) * 1e-8
    total += np.diag((IDLE_REGION * thin * ratio) ** 2)


def milligrams_per_ms(regions: Regions, maker: PointMaker) -> tuple[float, float]:
    """What an injector lets through in a millisecond at 300 kPa, and the share by which that may be off (one standard
    deviation): from the computer's own pulses, the slope of commanded charge over pulse width; else an injector of the
    usual size for the engine."""
    pulse, charge = regions.mean["pulse"], regions.mean["charge"]
    known = ~np.isnan(pulse) & ~np.isnan(charge)
    if known.sum() >= 3 and float(np.ptp(pulse[known])) > 0.8:
        slope = float(np.polyfit(charge[known], pulse[known], 1)[0])
        if slope > 0.02:
            return 1.0 / slope, SLOPE_KNOWN
    return (USUAL_BOOSTED if maker.turbo else USUAL_RATE) * maker.displacement / maker.cylinders, SIZE_KNOWN
