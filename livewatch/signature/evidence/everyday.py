"""What everyday causes give the observations of a car whose parts match, together: their covariance.

Part tolerances, fuel and sensors (one factor everywhere), tables that are smooth but never exact, and a volumetric
efficiency known as a range only. Observations come in, and what is said here is added to their covariance.
"""

from __future__ import annotations

import numpy as np

from livewatch.signature.evidence.evidence import Regions
from livewatch.signature.evidence.observations import Observations
from livewatch.signature.evidence.readings import Column
from livewatch.signature.evidence.settled import FILLED, PointMaker

__all__ = ["BEYOND_KNOWN", "INJECTORS", "METER", "OPEN", "add_everyday", "milligrams_per_ms"]

INJECTORS = 0.015
"""Spread of the flow of injectors that match: makers accept ±3 %, two standard deviations; common practice."""
USUAL_RATE, USUAL_BOOSTED = 7.5, 13.0
"""mg/ms of an injector for each litre of its cylinder, of engines without and with a turbocharger: 70 and 120 kW/L at
0.3 kg/kWh (Heywood 1988, section 2.7, quotes 0.25 to 0.35), open for 80 % of the time there (common practice)."""
SLOPE_KNOWN, SIZE_KNOWN = 0.03, 0.25
"""Shares, one standard deviation, by which those may be off: from the computer's own pulses, and by the usual size."""
BANKS_APART = 0.012
"""Spread of need between the banks of an engine in order; common practice."""
SMOOTH, SMOOTH_FLOW, SMOOTH_SPEED = 0.011, 0.8, 1800.0
"""Error of tables: its size, and over which ratio of flow (logarithm) and rpm it changes."""
LEVEL, LEVEL_FLOW = 0.012, 2.2
"""Slow error over flow, as meters and tables drift: its size, and over which ratio of flow (logarithm) it changes."""
REGION = 0.004
"""Error of one cell of the tables on its own; common practice."""
IDLE_OFFSET = 0.07
"""g/s of air by other ways than the meter on a sound engine of two litres or more, in proportion on a smaller one:
crankcase gas, brake servo."""
DEAD_TIME = 0.015
"""ms by which dead times vary between injectors of one kind."""
METER = 0.010
"""Spread of the scale of meters that match; common practice."""
PULSATION = 0.02
"""A meter's error near full load at low speed, where the flow pulsates back."""
PRESSURE_OFFSET = 0.4
"""kPa of offset of a manifold pressure sensor."""
PURGE = 0.03
"""What fuel vapour may take of need while the purge valve is open, or at part load when it is not seen; common
practice."""
UNTOLD = 0.03
"""What may be enriched near full load with the loop closed, where no channel tells what is commanded: a narrow-band
loop holds lambda 1 and takes it out of the trims again. Common practice."""
DRIFT, DRIFT_TIME = 0.006, 240.0
"""How need moves with time on a car in order (temperatures, learning, vapour), and over how many s; common practice."""
SPEED_SHAPE, SPEED_BEND, LOAD_SHAPE = 0.04, 0.05, 0.03
"""How volumetric efficiency may depend on speed and pressure besides the usual shape."""
AGAIN = 0.005
"""How far volumetric efficiency may be from what it was on another drive of the car; common practice, and simulated
cars (0.003)."""
IDLE_BREATHING, IDLE_REGION = 0.15, 0.06
"""How far volumetric efficiency at idle may be from usual, where burned gas takes much of the cylinder: in common, and
for each region on its own; common practice."""
DROOP = 0.02
"""Share of fuel pressure that a sound supply lets go at the highest flow, growing with its square; common practice."""
BEYOND_KNOWN = 0.10
"""Spread of how far (logarithm) need is beyond trims at their limit, in common, and for each region on its own; common
practice."""
OPEN = "need_1_open"
"""Kind of the observations of need in open loop under load where no channel tells what is commanded."""
OPEN_WANTED, OPEN_SLOPE, OPEN_BEND, OPEN_EACH = 0.06, 0.06, 0.03, 0.02
"""How far what is commanded there may be from the usual: everywhere, for each doubling of the flow of air, for its
square, and in each region by itself: calibrations command 0.95 to 0.80, richer with the flow (common practice)."""
SUPPLY_OFFSET = 0.010
"""Share by which two sensors of fuel pressure may differ; common practice."""


def add_everyday(seen: Observations, maker: PointMaker, compared: bool) -> None:
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
    late = np.nan_to_num(1.0 / np.maximum(seen.of("charge"), 1.0)) * milligrams_per_ms(seen.regions, maker)[0]
    fuel = np.nan_to_num(seen.of("fuel"))
    flow = fuel / max(float(fuel.max()), 1e-9)
    sharp = 0.5 if compared else 1.0
    idle = IDLE_OFFSET * min(1.0, maker.displacement / 2.0)
    loads: list[Column] = [
        seen.common * need,
        METER * sharp * (need - ratio) if maker.metered else np.zeros(len(seen)),
        DEAD_TIME * sharp * late * need,
        idle * sharp * leak * (need - ratio if maker.metered else 0.0 * need),
        SUPPLY_OFFSET * supply,
        DROOP * flow * flow * (supply - 0.5 * need),
    ]
    if maker.banks == 2:
        loads += [BANKS_APART * sharp * seen.on(f"need_{bank}") for bank in (1, 2)]
    if maker.metered:
        # Half the width of the declared range is taken for two standard deviations.
        spread = AGAIN if compared else maker.efficiency_spread / 2.0
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
    loads.append(PURGE * np.nan_to_num(seen.of("purged")) * need)
    loads += [BEYOND_KNOWN * seen.of(f"at_limit_{bank}") * seen.on(f"need_{bank}") for bank in (1, 2)[: maker.banks]]
    if "purge_duty" not in maker.there:
        part = ((air / maker.displacement > 1.8) & (np.nan_to_num(pressure) < 0.95 * np.nan_to_num(outside))) * 1.0
        loads.append(PURGE * part * need)
    # A turbocharged engine whose sensor is not seen is taken to have a wideband one (common practice).
    if not {"commanded_lambda", "lambda_1"} & maker.there and (
        "oxygen_sensor_voltage_1" in maker.there or not maker.turbo
    ):
        loads.append(UNTOLD * (np.nan_to_num(pressure) > FILLED * np.nan_to_num(outside)) * need)
    opened = seen.on(OPEN)
    if opened.any():
        more = np.log2(np.maximum(air, 0.1) / float(air[opened > 0.0].max()))
        loads += [OPEN_WANTED * opened, OPEN_SLOPE * more * opened, OPEN_BEND * more * more * opened]
    factors = np.array(loads)
    total = seen.covariance
    total += factors.T @ factors
    _add_smooth(seen, maker.metered, sharp)
    # So that the covariance can be factorised whatever came in.
    total[np.diag_indices(len(seen))] += 1e-8 + (IDLE_REGION * thin * ratio) ** 2 + (OPEN_EACH * opened) ** 2


def _add_smooth(seen: Observations, metered: bool, sharp: float) -> None:
    """Add what differs smoothly over flow, speed and time, and from one region to the next."""
    regions = seen.regions
    log_flow = np.log(np.maximum(regions.mean["air"], 0.1))
    apart = log_flow[:, None] - log_flow[None, :]
    turns = regions.mean["speed"][:, None] - regions.mean["speed"][None, :]
    time = regions.mean["time"]
    near = np.exp(-0.5 * ((apart / SMOOTH_FLOW) ** 2 + (turns / SMOOTH_SPEED) ** 2))
    far = np.exp(-0.5 * (apart / LEVEL_FLOW) ** 2)
    late = np.exp(-np.abs(time[:, None] - time[None, :]) / DRIFT_TIME)
    cell = regions.speed * 1000 + regions.flow
    same = (REGION * sharp) ** 2 * (cell[:, None] == cell[None, :])
    air_side = (LEVEL * sharp) ** 2 * far + same
    need, ratio = (np.flatnonzero(seen.on(kind)) for kind in ("need", "ratio"))
    for one, other, together in (
        (need, need, (SMOOTH * sharp) ** 2 * near + same + DRIFT**2 * late + air_side),
        (ratio, ratio, SMOOTH**2 * near + same + (air_side if metered else 0.0)),
        (need, ratio, -air_side if metered else 0.0 * air_side),
        (ratio, need, -air_side if metered else 0.0 * air_side),
    ):
        seen.covariance[one[:, None], other] += together[seen.row[one][:, None], seen.row[other]]


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
