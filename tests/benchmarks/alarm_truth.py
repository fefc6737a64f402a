"""What the truth of a simulated drive says of an alarm: when one is due, and when a raised one is false.

A drive goes in; facts by alarm come out (`facts_of`), and whether an alarm raised at a time is borne out by them
(`is_borne_out`). Both evaluations of this folder count with this one definition:

* An alarm is due for a run of time at which its fact is so beyond the set point by the tolerance of a good sensor, and
  that lasts as long as the fact says: half a second for a lean mixture under load.
* A critical alarm is false unless such a run, the same tolerance on the other side of the set point, lasted as long and
  was under way within the 2 s before the alarm. A mixture that is lean for a moment only, or not under load, bears
  nothing out, whatever the sensor read; nor does a mixture at the sensor that is not in the cylinders any more.

What an engine that matches its calibration really does is not judged here: on much ethanol with trims that have learned
nothing it is truly lean in open loop, and an alarm that says so is right.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d, minimum_filter1d  # type: ignore[import-untyped]

from livewatch.simulator import STEP, Drive

__all__ = ["LEAN", "LOOKED_BACK", "Fact", "Span", "facts_of", "is_borne_out", "leanness", "runs_of", "under_load"]

LEAN = 1.06
"""Lambda over command from which a mixture counts as lean: the set point of the alarm."""
SENSOR_TOLERANCE = 0.01
"""What a good lambda sensor may be off (common practice)."""
PRESSURE_TOLERANCE = 2.0
"""kPa: the step of a polled pressure and of a polled barometer (SAE J1979) together."""
LOOKED_BACK = 2.0
"""s before a critical alarm in which its fact must have been so: gas transport, sensor lag, polling and delays."""

Column = NDArray[np.float64]
Where = NDArray[np.bool_]
Span = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Fact:
    """What an alarm is about: `surely` so (bool (n,), tolerances counted against the alarm) for `lasting` s and more an
    alarm is due; not even `possibly` so for as long, it is false."""

    surely: Where
    possibly: Where
    lasting: float


def is_borne_out(fact: Fact | None, raised: float) -> bool:
    """Whether the truth is behind an alarm `raised` at this time, s of the drive; never without a fact."""
    if fact is None:
        return False
    return any(start <= raised and end >= raised - LOOKED_BACK for start, end in runs_of(fact.possibly, fact.lasting))


def under_load(drive: Drive, tolerance: float = 0.0) -> Where:
    """Where the engine is warm, fuelled and near the outside pressure or above it, as seen by pressure sensors that are
    up to `tolerance` kPa off."""
    truth = drive.truth
    loaded: Where = truth["manifold_pressure"] > (0.9 * drive.facts["barometer_kPa"] - tolerance) * 1e3
    loaded &= (truth["speed"] > 1200.0) & (truth["fuel_cut"] == 0.0) & (truth["coolant"] > 333.15)
    return loaded


def leanness(drive: Drive, bank: int) -> Column:
    """True lambda in the cylinders over commanded lambda; NaN where nothing is injected or nothing would burn."""
    richness = drive.truth[f"richness_{bank}"]
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = 1.0 / richness / drive.truth["commanded_lambda"]
        return np.where((richness > 1.0 / 1.5) & (drive.truth["fuel_cut"] == 0.0), ratio, np.nan)


def facts_of(drive: Drive) -> dict[str, Fact]:
    """The facts of a drive, by the alarm they are due to."""
    truth, channels = drive.truth, drive.channels
    loaded, nearly_loaded = under_load(drive), under_load(drive, PRESSURE_TOLERANCE)
    drifted = "lambda_drift" in {wrong["kind"] for wrong in drive.facts["mismatches"]}
    facts: dict[str, Fact] = {}
    for bank in (1, 2) if "short_term_fuel_trim_2" in channels else (1,):
        behind = "" if bank == 1 else "_bank_2"
        ratio = leanness(drive, bank)
        low, high = 1.0 - SENSOR_TOLERANCE, 1.0 + SENSOR_TOLERANCE
        with np.errstate(invalid="ignore"):
            # What a drifted sensor shows as right cannot be known: nothing is due then.
            lean = Fact(loaded & (ratio > LEAN * high) & (not drifted), nearly_loaded & (ratio > LEAN * low), 0.5)
            rich = Fact(loaded & (ratio < 0.90 * low) & (not drifted), ratio < 0.90 * high, 1.0)
            plain = ratio * truth["commanded_lambda"]
            # Where the command is not known, over stoichiometric.
            alone = Fact(loaded & (plain > LEAN * high) & (not drifted), nearly_loaded & (plain > LEAN * low), 0.5)
        if f"lambda_{bank}" in channels:
            facts[f"lean_under_load{behind}"], facts[f"rich_under_load{behind}"] = lean, rich
            facts[f"lean_under_load_without_command{behind}"] = alone
        else:
            # Such a sensor tells lean from rich and no more: due is what is lean where rich is commanded.
            never_rich = Fact(
                lean.surely & (truth[f"richness_{bank}"] < 0.99) & (truth["commanded_lambda"] < 0.95),
                lean.possibly,
                0.5,
            )
            facts[f"lean_under_load_narrow_band{behind}"] = never_rich
        closed = (truth["status"] == 2.0) & (truth["coolant"] > 333.65)
        targets = getattr(drive.scenario.car, "targets")  # noqa: B009 - `car` may be a name before it is resolved
        for kind, limit in (("short", targets.short_trim_limit), ("long", targets.long_trim_limit)):
            trim = channels[f"{kind}_term_fuel_trim_{bank}"]
            at = Fact(closed & (trim > limit - 0.3), closed & (trim > limit - 1.5), 0.8)
            facts[f"{kind}_trim_at_upper_limit{behind}"] = at
    knock = channels["knock_retard"]
    limit = getattr(drive.scenario.car, "targets").largest_retard  # noqa: B009
    knocked = maximum_filter1d((truth["knock_margin"] < 2.0).astype(np.int8), 600) > 0
    facts["knock_retard_at_limit"] = Fact(loaded & (knock > limit - 0.3), (knock > limit - 0.9) & knocked, 0.3)
    rail = truth["rail"] / 1e3 / channels["commanded_fuel_rail_pressure"]
    facts["rail_pressure_falling"] = Fact(loaded & (rail < 0.89), rail < 0.91, 0.5)
    facts["injector_duty_at_limit"] = Fact(channels["injector_duty"] > 93.0, channels["injector_duty"] > 91.0, 0.4)
    if "boost_pressure" in channels:
        facts |= _boost_facts(drive, loaded)
    return facts


def _boost_facts(drive: Drive, loaded: Where) -> dict[str, Fact]:
    truth = drive.truth
    boost, wanted, pedal = truth["pipe_pressure"] / 1e3, truth["commanded_boost"] / 1e3, truth["pedal"]
    held = (pedal > 0.25) & (pedal > _last(maximum_filter1d, pedal, 1.0) - 0.05)
    over = boost - _last(maximum_filter1d, wanted, 1.5)
    under = _last(minimum_filter1d, wanted, 1.5) - boost
    ago = np.concatenate((np.full(70, np.inf), boost[:-70]))
    weak = held & (truth["speed"] > 3100.0) & ((boost - ago) / 0.7 < 5.0)
    cut = truth["overboost_cut"] > 0.0
    return {
        "overboost": Fact(loaded & held & (over > 26.5), over > 23.5, 0.25),
        "boost_overshoot": Fact(loaded & held & (over > 14.5), over > 11.5, 0.4),
        "underboost": Fact(weak & (under > 23.0), under > 18.0, 1.0),
        "overboost_fuel_cut": Fact(cut & held, cut, 0.1),
    }


def _last(extreme: object, column: Column, seconds: float) -> Column:
    """The highest or lowest of the last `seconds`."""
    ticks = round(seconds / STEP)
    assert callable(extreme)
    result: Column = extreme(column, ticks, origin=(ticks - 1) // 2)
    return result


def runs_of(condition: Where, shortest: float) -> list[Span]:
    """Start and end, s, of the runs of true that last `shortest` s and more."""
    padded = np.concatenate(([False], condition, [False]))
    changes = np.flatnonzero(padded[1:] != padded[:-1])
    spans = zip(changes[0::2], changes[1::2], strict=True)
    return [(a * STEP, b * STEP) for a, b in spans if (b - a) * STEP >= shortest - 1e-9]
