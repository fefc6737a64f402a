"""What is true of a drive of the blind evaluation: how much each thing that is wrong takes, what its estimate should
be, and how long the pedal was down.

A kept drive goes in. A mismatch is large when it takes more than 8 % need or 10 % boost: those must be named. Smaller
ones may be.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np
from blind_scenarios import FAMILY
from numpy.typing import NDArray

__all__ = ["NEED_BAR", "Wrong", "full_load_seconds", "wrong_with"]

NEED_BAR, BOOST_BAR = 0.08, 0.10
Column = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Wrong:
    """One thing wrong with a drive.

    Attributes:
        need: the largest share of need (0.1 is 10 %) that it takes for four seconds or more of steady driving.
        boost: how far boost departs from its command, for half a second after reaching it (or above 4200 rpm without),
            as a share of the boost commanded, in the median pull; of kinds that touch boost.
        truth: what the estimates should say, by their words (a prefix of them is enough).
        against_baseline: the same where the tolerances of the car are in the baseline.
    """

    kind: str
    size: float
    family: str
    need: float
    boost: float
    truth: dict[str, float] = field(default_factory=dict)
    against_baseline: dict[str, float] = field(default_factory=dict)

    @property
    def large(self) -> bool:
        """Whether it must be named."""
        return self.need > NEED_BAR or self.boost > BOOST_BAR

    def to_json(self) -> dict[str, Any]:
        """Plain data, `large` included."""
        return asdict(self) | {"large": self.large}


def wrong_with(drive: Any) -> list[Wrong]:
    """Everything wrong with the drive."""
    boost = _boost_taken(drive) if any(FAMILY[one["kind"]] == "boost" for one in drive.facts["mismatches"]) else 0.0
    found = []
    for one in drive.facts["mismatches"]:
        kind, size = one["kind"], one["size"]
        truth = _truth_of(drive, kind, size)
        own = drive.facts["tolerances"]["meter" if kind == "air_meter_bore" else "injectors"]
        against = {words: value * own if kind == "air_meter_bore" else value / own for words, value in truth.items()}
        family = FAMILY[kind]
        taken = _need_of(drive, kind, size)
        found.append(Wrong(kind, size, family, taken, boost if family == "boost" else 0.0, truth, against))
    return found


def full_load_seconds(drive: Any) -> float:
    """How long the pedal was down."""
    return float(np.count_nonzero(drive.truth["pedal"] > 0.97)) * 0.01


def _need_of(drive: Any, kind: str, size: float) -> float:
    need = np.abs(_need_taken(drive, kind, size))
    truth = drive.truth
    running = (truth["coolant"] > 340.0) & (truth["fuel_cut"] == 0.0)
    need = np.where(running, need, np.nan)
    blocks = need[: len(need) // 50 * 50].reshape(-1, 50)
    blocks = blocks[~np.isnan(blocks).any(axis=1)]
    steady = blocks.std(axis=1) < 0.02
    values = np.sort(blocks.mean(axis=1)[steady])
    return float(values[-8]) if len(values) >= 8 else 0.0


def _need_taken(drive: Any, kind: str, size: float) -> Column:
    """The share of need that the mismatch takes at every step."""
    truth, channels = drive.truth, drive.channels
    build = drive.scenario.calibrated_for
    n = len(drive.time)
    metered = "mass_air_flow" in channels
    truth = {name: (column + np.roll(column, 1)) / 2.0 for name, column in truth.items()}
    with np.errstate(divide="ignore", invalid="ignore"):
        if kind == "air_meter_bore":
            return np.full(n, (size / build.air_meter.bore_mm) ** 2 - 1.0)
        if kind == "air_meter_shape":
            share = truth["metered"] / truth["sensed_air"] * drive.facts["tolerances"]["meter"]
            bores = [one["size"] for one in drive.facts["mismatches"] if one["kind"] == "air_meter_bore"]
            share *= (build.air_meter.bore_mm / bores[0]) ** 2 if bores else 1.0
            return np.where(truth["metered"] > 2e-3, share - 1.0, 0.0)
        if kind == "vacuum_leak" and metered:
            return truth["manifold_leak"] / np.maximum(truth["sensed_air"], 1e-3)
        if kind == "pressure_leak" and metered:
            return -truth["pressure_leak"] / np.maximum(truth["sensed_air"], 1e-3)
        if kind == "injector_flow":
            return np.full(n, 1.0 / (1.0 + size / 100.0) - 1.0)
        if kind == "injector_dead_time":
            open_for = channels["injector_pulse_width"] - build.injectors.dead_time_ms
            return np.where(open_for > 0.3, 1.0 / np.maximum(0.2, 1.0 - size / np.maximum(open_for, 0.3)) - 1.0, 0.0)
        if kind == "weak_injector":
            each = build.engine.cylinders // build.engine.banks
            return np.full(n, 1.0 / (1.0 - 0.01 * size / each) - 1.0)
        if kind == "fuel_supply":
            manifold = channels["manifold_pressure"]
            asked = channels["commanded_fuel_rail_pressure"] - manifold
            return np.sqrt(asked / np.maximum(channels["fuel_rail_pressure"] - manifold, 20.0)) - 1.0
        if kind == "lambda_drift":
            return np.clip(drive.time / 120.0, 0.0, 1.0) * size * 0.01
    return np.zeros(n)


def _boost_taken(drive: Any) -> float:
    outside = drive.facts["barometer_kPa"]
    speed = drive.channels["engine_speed"]
    asked = drive.channels["commanded_boost_pressure"] - outside
    error = drive.channels["boost_pressure"] - outside - asked
    down = drive.truth["pedal"] > 0.97
    edges = np.flatnonzero(np.diff(np.concatenate(([0], down.astype(np.int8), [0]))))
    found = []
    for start, stop in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        if stop - start < 150 or speed[start:stop].max() - speed[start:stop].min() < 500.0:
            continue
        part = slice(start + 60, stop - 10)
        share = error[part] / np.maximum(asked[part], 20.0)
        reached = np.maximum.accumulate(share > -0.04)
        judged = np.where(reached, np.abs(share), np.where(speed[part] > 4200.0, -share, 0.0))
        judged = np.sort(np.where(asked[part] > 20.0, judged, 0.0))
        found.append(float(judged[-50]) if len(judged) >= 50 else 0.0)
    return float(np.median(found)) if found else 0.0


def _truth_of(drive: Any, kind: str, size: float) -> dict[str, float]:
    build, tolerances = drive.scenario.calibrated_for, drive.facts["tolerances"]
    each = build.engine.cylinders // build.engine.banks
    if kind == "air_meter_bore":
        return {"true over metered air": (size / build.air_meter.bore_mm) ** 2 / tolerances["meter"]}
    if kind == "air_meter_shape":
        flow = drive.truth["metered"]
        top = flow > 0.93 * np.quantile(flow, 0.999)
        return {"at ": 100.0 * (float(np.median(drive.truth["sensed_air"][top] / flow[top])) - 1.0)}
    if kind == "weak_injector":
        share = 1.0 - 0.01 * size / each
        if build.engine.banks == 2:
            return {"need of bank": 100.0 * (1.0 / share - 1.0)}
        return {"flow fitted": share * tolerances["injectors"]}
    if kind == "fuel_supply":
        # The pump's own flow is given at 13.5 V; a running car has 13.9.
        return {"fuel flow at": build.fuel_supply.flow_g_s * (1.0 - 0.01 * size) * (0.25 + 0.75 * 13.9 / 13.5)}
    words: dict[str, tuple[str, float]] = {
        "injector_flow": ("flow fitted", (1.0 + 0.01 * size) * tolerances["injectors"]),
        "injector_dead_time": ("dead time", size),
        "vacuum_leak": ("diameter", size),
        "pressure_leak": ("diameter", size),
        "lambda_drift": ("reads away", size),
    }
    return dict([words[kind]]) if kind in words else {}
