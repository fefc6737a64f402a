"""What the blind evaluation drives: a seed goes in, a scenario, a way of watching it and the right answer come out.

The draw covers every kind of mismatch the simulator has, from barely to badly wrong, and matching cars in between; four
engines, altitudes from the sea to 2500 m, fuels from E0 to E25, watched from a 100 Hz broadcast down to polling twice a
second. Seeds 0 to 999 and from 40000 on belong to the evaluation; tuning used those between.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from livewatch.data.channels import CATALOGUE
from livewatch.data.samples import SampleBatch, SampleColumn
from livewatch.profile import Profile, load_profile_text
from livewatch.simulator import CARS, Drive, Mismatch, Scenario

__all__ = ["FAMILY", "Watching", "batches_of", "effect_of", "profile_of", "scenario_of", "watching_of"]

FAMILY: Mapping[str, str] = {
    "air_meter_bore": "metering",
    "air_meter_shape": "metering",
    "injector_flow": "injection",
    "injector_dead_time": "injection",
    "weak_injector": "injection",
    "vacuum_leak": "air leak",
    "pressure_leak": "air leak",
    "boost_solenoid": "boost",
    "wastegate_actuator": "boost",
    "free_exhaust": "boost",
    "turbo_size": "boost",
    "fuel_supply": "fuel supply",
    "lambda_drift": "none",
}
"""The right family of each kind. A drifting lambda sensor is no mismatch between parts and calibration."""

_RANGES: Mapping[str, tuple[tuple[float, float], ...]] = {
    "air_meter_shape": ((-32.0, -5.0), (5.0, 30.0)),
    "injector_flow": ((-22.0, -3.0), (3.0, 35.0)),
    "injector_dead_time": ((-0.3, -0.05), (0.05, 0.45)),
    "vacuum_leak": ((1.0, 4.0),),
    "pressure_leak": ((3.0, 20.0),),
    "boost_solenoid": ((-25.0, -5.0), (5.0, 25.0)),
    "wastegate_actuator": ((-20.0, -5.0), (8.0, 50.0)),
    "free_exhaust": ((20.0, 90.0),),
    "turbo_size": ((-20.0, -6.0), (6.0, 30.0)),
    "fuel_supply": ((15.0, 60.0),),
    "weak_injector": ((10.0, 60.0),),
    "lambda_drift": ((-9.0, -2.0), (2.0, 9.0)),
}
"""Sizes drawn, in the kind's own unit; the bore is drawn as a ratio to the car's own."""

_ALL_ROUTES = ("mixed", "mixed", "mixed", "pulls", "dyno")
_POLLED = frozenset(
    {
        "engine_speed",
        "manifold_pressure",
        "mass_air_flow",
        "lambda_1",
        "lambda_2",
        "commanded_lambda",
        "short_term_fuel_trim_1",
        "long_term_fuel_trim_1",
        "short_term_fuel_trim_2",
        "long_term_fuel_trim_2",
        "throttle_position",
        "accelerator_pedal_position",
        "engine_load",
        "absolute_load",
        "fuel_system_status",
        "vehicle_speed",
        "coolant_temperature",
        "intake_air_temperature",
        "charge_air_temperature",
        "barometric_pressure",
        "battery_voltage",
        "fuel_rail_pressure",
        "boost_pressure",
        "commanded_boost_pressure",
        "wastegate_duty",
        "purge_duty",
        "ethanol_content",
        "ignition_advance",
        "knock_retard",
        "idle_air_correction",
        "commanded_fuel_rail_pressure",
    }
)
_SLOW = frozenset(
    {
        "coolant_temperature",
        "intake_air_temperature",
        "charge_air_temperature",
        "barometric_pressure",
        "battery_voltage",
        "ethanol_content",
        "vehicle_speed",
        "purge_duty",
        "long_term_fuel_trim_1",
        "long_term_fuel_trim_2",
        "fuel_system_status",
        "ambient_air_temperature",
        "oil_temperature",
        "run_time",
        "idle_air_correction",
    }
)
_STEPS = {"manifold_pressure": 1.0, "boost_pressure": 0.5, "mass_air_flow": 0.01, "fuel_rail_pressure": 1.0}


@dataclass(frozen=True, slots=True)
class Watching:
    """How a drive is watched: samples a second of the fast channels (`rate`), whether by polling, and the volumetric
    efficiency the tool is told, as a range."""

    rate: float
    polled: bool
    efficiency: tuple[float, float]


def scenario_of(seed: int, matching: bool = False) -> Scenario:
    """The scenario of a seed; 2 in 9 are matching cars, all of them when `matching`."""
    rng = np.random.default_rng([seed, 4])
    car = CARS[str(rng.choice(list(CARS)))]
    kinds = [name for name in FAMILY if _has(car.build, name)]
    is_matching = bool(rng.random() < 2.0 / 9.0) or matching
    kind = str(rng.choice(kinds))
    if kind == "air_meter_bore":
        assert car.build.air_meter is not None
        low, high = ((0.90, 0.975), (1.02, 1.14))[int(rng.random() < 0.6)]
        size = round(car.build.air_meter.bore_mm * float(rng.uniform(low, high)), 1)
    else:
        ranges = _RANGES[kind]
        low, high = ranges[int(rng.integers(len(ranges)))]
        size = round(float(rng.uniform(low, high)), 3)
    return Scenario(
        car=car.name,
        mismatches=() if is_matching else (Mismatch(kind, size),),
        route=str(rng.choice(_ALL_ROUTES)),
        duration=600.0,
        altitude_m=float(rng.choice([0.0, 150.0, 400.0, 800.0, 1500.0, 2500.0])),
        weather_kpa=float(rng.uniform(-1.5, 1.5)),
        ambient_degC=float(rng.uniform(-5.0, 35.0)),
        humidity_percent=float(rng.uniform(20.0, 90.0)),
        ethanol_percent=float(rng.choice([10.0, 10.0, 10.0, 0.0, 5.0, 20.0, 25.0])),
        cold_start=bool(rng.random() < 0.15),
        ageing=float(rng.uniform(0.3, 1.3)),
        seed=seed,
    )


def _has(build: object, kind: str) -> bool:
    if kind in ("air_meter_bore", "air_meter_shape"):
        return getattr(build, "air_meter") is not None  # noqa: B009
    if kind in ("pressure_leak", "boost_solenoid", "wastegate_actuator", "free_exhaust", "turbo_size"):
        return getattr(build, "turbocharger") is not None  # noqa: B009
    return True


def watching_of(seed: int, drive: Drive) -> Watching:
    """How the drive of a seed is watched."""
    rng = np.random.default_rng([seed, 5])
    rate, polled = ((100.0, False), (50.0, False), (20.0, False), (10.0, True), (5.0, True), (2.0, True))[
        int(rng.choice(6, p=[0.3, 0.2, 0.15, 0.15, 0.1, 0.1]))
    ]
    # Known only as a range of ±6 %: where in it the truth lies is as likely as parts tolerances make it.
    centre = peak_efficiency(drive) * (1.0 + float(np.clip(rng.normal(0.0, 0.03), -0.06, 0.06)))
    return Watching(rate, polled, (round(centre * 0.94, 4), round(centre * 1.06, 4)))


def peak_efficiency(drive: Drive) -> float:
    """Volumetric efficiency of this very engine at its best speed with equal pressures on both sides."""
    build = drive.scenario.fitted
    assert build is not None
    return float(build.engine.breathing_peak * drive.facts["tolerances"]["breathing"])


def effect_of(drive: Drive) -> tuple[float, float]:
    """How much the mismatch of a drive takes: the largest share of need (0.1 is 10 %) that it takes for four seconds or
    more of steady driving, and the median over the pulls of how far boost departs from its command for half a second
    after reaching it (or above 4200 rpm without), as a share of the boost commanded."""
    if not drive.facts["mismatches"]:
        return 0.0, 0.0
    wrong = drive.facts["mismatches"][0]
    need = np.abs(_need_taken(drive, wrong["kind"], wrong["size"]))
    truth = drive.truth
    running = (truth["coolant"] > 340.0) & (truth["fuel_cut"] == 0.0)
    need = np.where(running, need, np.nan)
    blocks = need[: len(need) // 50 * 50].reshape(-1, 50)
    blocks = blocks[~np.isnan(blocks).any(axis=1)]
    steady = blocks.std(axis=1) < 0.02
    values = np.sort(blocks.mean(axis=1)[steady])
    taken = float(values[-8]) if len(values) >= 8 else 0.0
    return taken, _boost_taken(drive) if FAMILY[wrong["kind"]] == "boost" else 0.0


def _need_taken(drive: Drive, kind: str, size: float) -> NDArray[np.float64]:
    """The share of need that the mismatch takes at every step."""
    truth, channels = drive.truth, drive.channels
    build = drive.scenario.calibrated_for
    assert build is not None
    n = len(drive.time)
    metered = "mass_air_flow" in channels
    truth = {name: (column + np.roll(column, 1)) / 2.0 for name, column in truth.items()}
    with np.errstate(divide="ignore", invalid="ignore"):
        if kind == "air_meter_bore":
            assert build.air_meter is not None
            return np.full(n, (size / build.air_meter.bore_mm) ** 2 - 1.0)
        if kind == "air_meter_shape":
            share = truth["metered"] / truth["sensed_air"] * drive.facts["tolerances"]["meter"] - 1.0
            return np.where(truth["metered"] > 2e-3, share, 0.0)
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


def _boost_taken(drive: Drive) -> float:
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


def profile_of(drive: Drive, watching: Watching, engine: bool = True) -> Profile:
    """A profile for tables, as its owner would write it: the engine, the channels there are, nothing tuned."""
    scenario = drive.scenario
    build, targets = scenario.fitted, getattr(scenario.car, "targets")  # noqa: B009
    assert build is not None
    turbo = "turbocharged" if build.turbocharger is not None else "naturally_aspirated"
    low, high = watching.efficiency
    lines = ["profile: 1", "name: blind evaluation"]
    if engine:
        lines += [
            "engine:",
            f"  displacement: {build.engine.displacement_l} L",
            f"  cylinders: {build.engine.cylinders}",
            f"  banks: {build.engine.banks}",
            f"  induction: {turbo}",
            f"  air_metering: {'speed_density' if build.air_meter is None else 'mass_air_flow'}",
            "  fuel: gasoline E10",
            f"  volumetric_efficiency: {low} .. {high}",
        ]
    lines += [
        "authority:",
        f"  short_term_fuel_trim: {-targets.short_trim_limit} % .. {targets.short_trim_limit} %",
        f"  long_term_fuel_trim: {-targets.long_trim_limit} % .. {targets.long_trim_limit} %",
        f"  knock_retard: 0 deg .. {targets.largest_retard} deg",
        "  wastegate_duty: 0 % .. 95 %",
        "channels:",
    ]
    period = 1.0 / watching.rate
    for name in names_of(drive, watching):
        stale = max(1.0, 6.0 * period) * (4.0 if name in _SLOW else 1.0)
        lines.append(f"  {name}: {{unit: '{CATALOGUE[name].unit}', stale_after: {stale} s}}")
    return load_profile_text("\n".join(lines) + "\n", "blind.yaml", None)


def names_of(drive: Drive, watching: Watching) -> list[str]:
    """The channels that this way of watching brings."""
    return [name for name in drive.channels if name in CATALOGUE and (not watching.polled or name in _POLLED)]


def batches_of(drive: Drive, watching: Watching, profile: Profile, seconds: float = 20.0) -> Iterator[SampleBatch]:
    """The drive as samples on a 10 ms raster: broadcast channels all together, polled ones one after another."""
    index = profile.index
    names = names_of(drive, watching)
    n = len(drive.time)
    time = 1_700_000_000_000_000_000 + np.arange(n, dtype=np.int64) * 10_000_000
    every = max(1, round(100.0 / watching.rate))
    columns: dict[str, tuple[NDArray[np.int64], NDArray[np.float64]]] = {}
    for position, name in enumerate(names):
        column = drive.channels[name]
        spacing = every * (5 if name in _SLOW else 1)
        offset = position * every // len(names) if watching.polled else 0
        rows = np.arange(offset, n, spacing)
        value = np.asarray(column[rows], np.float64)
        if watching.polled:
            value = _stepped(name, value)
        columns[name] = (rows, value)
    step = int(seconds * 100)
    for start in range(0, n, step):
        stop = min(n, start + step)
        made = []
        for name, (rows, value) in columns.items():
            low, high = np.searchsorted(rows, (start, stop))
            part = value[low:high]
            quality = np.where(np.isnan(part), 3, 0).astype(np.uint8)
            made.append(SampleColumn(index[name], rows[low:high] - start, part, quality))
        yield SampleBatch(time[start:stop], made)


def _stepped(name: str, value: NDArray[np.float64]) -> NDArray[np.float64]:
    """As the diagnostic port answers: the steps of SAE J1979."""
    if "trim" in name:
        return np.round(value * 1.28) / 1.28
    if "lambda" in name:
        return np.round(value * 32768.0) / 32768.0
    if "temperature" in name:
        return np.round(value)
    if "position" in name or "load" in name or "duty" in name:
        return np.round(value * 2.55) / 2.55
    step = _STEPS.get(name)
    return value if step is None else np.round(value / step) * step
