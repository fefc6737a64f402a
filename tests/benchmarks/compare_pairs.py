"""Pairs of simulated drives, compared: `python tests/benchmarks/compare_pairs.py --pairs 30 --cache FOLDER`.

Three kinds in turn. `fixed`: what was wrong is recalibrated for, or mended. `same`: the same car on another road, in
other weather, with another fuel, with or without something wrong. `half fixed`: of one error half is left, or of two
errors one. A pair is right when `Change.turn` says fixed, same, or better. Printed are the pairs, one a line, and how
many of each kind were wrong. Drives are of 200 s, with every channel twenty times a second. `--cache` keeps what was
found of each drive, so that comparing again costs the comparing alone.
"""

from __future__ import annotations

import argparse
import pickle
import sys
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from livewatch.alarms.spells import SpellBook
from livewatch.data.channels import CATALOGUE
from livewatch.data.samples import SampleBatch, SampleColumn
from livewatch.diagnosis.assessment import assess
from livewatch.diagnosis.change import Change, change_between
from livewatch.diagnosis.diagnosis import Diagnosis, Terms
from livewatch.profile import Profile, load_profile_text
from livewatch.run.pipeline import Pipeline
from livewatch.signature import Signature
from livewatch.simulator.cars import CARS
from livewatch.simulator.drive import simulate
from livewatch.simulator.mismatches import KINDS, Mismatch
from livewatch.simulator.scenario import Scenario

EXPECTED = {"fixed": "fixed", "same": "same", "half fixed": "better"}
SECONDS = 200.0
FIRST = 61_000
"""The seed of the first pair; tune on lower ones."""
EVERY = 5
"""Steps of the simulator from sample to sample: twenty a second."""
MENDED = ("vacuum_leak", "pressure_leak", "fuel_supply")
"""What is mended, not recalibrated for."""
SIZES: dict[str, tuple[float, float]] = {
    "air_meter_bore": (1.07, 1.14),  # of the bore calibrated for
    "injector_flow": (20.0, 45.0),
    "boost_solenoid": (28.0, 45.0),
    "vacuum_leak": (2.6, 4.0),
    "fuel_supply": (42.0, 55.0),
}
ALONE = tuple(SIZES)
HALVED = ("air_meter_bore", "injector_flow")
"""Of these half an error can be left and still be one."""
TWO = (
    ("air_meter_bore", "vacuum_leak"),
    ("injector_flow", "boost_solenoid"),
    ("air_meter_bore", "boost_solenoid"),
    ("injector_flow", "fuel_supply"),
)


def drives_of(kind: str, seed: int) -> tuple[Scenario, Scenario]:
    """The two drives of a pair."""
    rng = np.random.default_rng([seed, 31])
    car = "brackwell_20t" if rng.random() < 0.7 else "tarn_30t"
    build = CARS[car].build

    def sized(name: str) -> Mismatch:
        size = float(rng.uniform(*SIZES[name]))
        assert build.air_meter is not None
        return Mismatch(name, size * build.air_meter.bore_mm if name == "air_meter_bore" else size)

    def road(route: str) -> dict[str, Any]:
        return {
            "car": car, "route": route, "duration": SECONDS, "seed": seed,
            "ambient_degC": float(rng.uniform(2.0, 32.0)), "humidity_percent": float(rng.uniform(20.0, 90.0)),
            "weather_kpa": float(rng.uniform(-2.0, 2.0)), "ethanol_percent": float(rng.choice([5.0, 10.0, 10.0, 10.0])),
            "altitude_m": float(rng.uniform(0.0, 500.0)),
        }  # fmt: skip

    roads = [road(str(rng.choice(["mixed", "pulls"], p=[0.7, 0.3]))) for _ in range(2)]
    if kind != "same":
        roads[1]["route"] = roads[0]["route"] = "mixed"
    if kind == "half fixed" and rng.random() < 0.5:
        wrong = [sized(name) for name in TWO[int(rng.integers(len(TWO)))]]
        gone = int(rng.integers(2))
        after = _cured(Scenario(**roads[1], mismatches=tuple(wrong)), wrong[gone], 1.0)
    elif kind == "same" and rng.random() < 0.5:
        wrong = []
        after = Scenario(**roads[1])
    else:
        wrong = [sized(str(rng.choice(HALVED if kind == "half fixed" else ALONE)))]
        after = Scenario(**roads[1], mismatches=tuple(wrong))
        if kind != "same":
            after = _cured(after, wrong[0], 1.0 if kind == "fixed" else 0.5)
    return Scenario(**roads[0], mismatches=tuple(wrong)), after


def _cured(scenario: Scenario, wrong: Mismatch, share: float) -> Scenario:
    """The scenario with a share of one thing wrong mended, or written into the calibration."""
    rest = tuple(one for one in scenario.mismatches if one != wrong)
    assert isinstance(scenario.car, str)
    build = CARS[scenario.car].build
    if wrong.name in MENDED:
        left = (Mismatch(wrong.name, wrong.size * (1.0 - share)),) if share < 1.0 else ()
        return replace(scenario, mismatches=(*rest, *left))
    usual = build.air_meter.bore_mm if wrong.name == "air_meter_bore" and build.air_meter is not None else 0.0
    known = KINDS[wrong.name].fit(build, usual + share * (wrong.size - usual))
    return replace(scenario, calibrated_for=known)


def diagnosed(scenario: Scenario) -> Diagnosis:
    """What a drive shows, every channel watched by its samples."""
    drive = simulate(scenario)
    profile = _profile(drive.scenario)
    book = SpellBook()
    pipeline = Pipeline(profile, [signature := Signature(profile)])
    for batch in _batches(drive, profile):
        book.observe(pipeline.push(batch))
    book.observe(pipeline.finish())
    return Diagnosis(
        Path(f"{scenario.seed}.log"), "simulated drive", profile, pipeline.time, assess(signature), tuple(book.spells),
        pipeline.alarms.figures(), (), {}, (), (), None, Terms(),
    )  # fmt: skip


def _profile(scenario: Scenario) -> Profile:
    build, targets = scenario.fitted, scenario.car.targets  # type: ignore[union-attr]
    assert build is not None
    lines = [
        "profile: 1", "name: a pair", "engine:", f"  displacement: {build.engine.displacement_l} L",
        f"  cylinders: {build.engine.cylinders}", f"  banks: {build.engine.banks}", "  induction: turbocharged",
        "  air_metering: mass_air_flow", "  fuel: gasoline E10", "authority:",
        f"  short_term_fuel_trim: {-targets.short_trim_limit} % .. {targets.short_trim_limit} %",
        f"  long_term_fuel_trim: {-targets.long_trim_limit} % .. {targets.long_trim_limit} %",
        f"  knock_retard: 0 deg .. {targets.largest_retard} deg", "  wastegate_duty: 0 % .. 95 %", "channels:",
    ]  # fmt: skip
    names = [name for name in CHANNELS if name in CATALOGUE]
    lines += [f"  {name}: {{unit: '{CATALOGUE[name].unit}', stale_after: 1 s}}" for name in names]
    return load_profile_text("\n".join(lines) + "\n", "pair.yaml", None)


CHANNELS = (
    "engine_speed", "vehicle_speed", "accelerator_pedal_position", "throttle_position", "manifold_pressure",
    "boost_pressure", "commanded_boost_pressure", "barometric_pressure", "mass_air_flow", "charge_air_temperature",
    "intake_air_temperature", "coolant_temperature", "fuel_rail_pressure", "commanded_fuel_rail_pressure",
    "injector_pulse_width", "fuel_system_status", "short_term_fuel_trim_1", "long_term_fuel_trim_1", "lambda_1",
    "short_term_fuel_trim_2", "long_term_fuel_trim_2", "lambda_2", "commanded_lambda", "knock_retard", "wastegate_duty",
    "idle_air_correction", "purge_duty",
)  # fmt: skip


def _batches(drive: Any, profile: Profile, rows: int = 400) -> Iterator[SampleBatch]:
    index = profile.index
    time_of = 1_700_000_000_000_000_000 + np.arange(0, len(drive.time), EVERY, dtype=np.int64) * 10_000_000
    values = {name: drive.channels[name][::EVERY] for name in index if name in drive.channels}
    for start in range(0, len(time_of), rows):
        part = slice(start, min(start + rows, len(time_of)))
        at = np.arange(part.stop - part.start)
        made = [
            SampleColumn(index[name], at, column[part], np.where(np.isnan(column[part]), 3, 0).astype(np.uint8))
            for name, column in values.items()
        ]
        yield SampleBatch(time_of[part], made)


def found(kind: str, seed: int, side: int, folder: Path | None) -> Diagnosis:
    """What one drive of a pair shows, out of the folder where it is kept."""
    path = None if folder is None else folder / f"{kind.replace(' ', '_')}_{seed}_{side}.pickle"
    if path is not None and path.is_file():
        kept: Diagnosis = pickle.loads(path.read_bytes())
        return kept
    made = diagnosed(drives_of(kind, seed)[side])
    if path is not None:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(pickle.dumps(made))
    return made


def main() -> int:
    """See the module."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--pairs", type=int, default=150)
    parser.add_argument("--first", type=int, default=FIRST, help="seed of the first pair")
    parser.add_argument("--minutes", type=float, default=1e9, help="begin no pair after so long")
    parser.add_argument("--cache", type=Path, default=None)
    chosen = parser.parse_args()
    began, wrong, done = time.monotonic(), dict.fromkeys(EXPECTED, 0), dict.fromkeys(EXPECTED, 0)
    for number in range(chosen.pairs):
        if time.monotonic() - began > 60.0 * chosen.minutes:
            break
        kind, seed = list(EXPECTED)[number % 3], chosen.first + number
        change: Change = change_between(*(found(kind, seed, side, chosen.cache) for side in (0, 1)))
        right = change.turn == EXPECTED[kind]
        done[kind] += 1
        wrong[kind] += not right
        first = drives_of(kind, seed)[0]
        what = ", ".join(f"{one.name} {one.size:.3g}" for one in first.mismatches) or "nothing wrong"
        turns = ", ".join(f"{one.system} {one.turn}" for one in change.systems if one.turn != "same")
        words = "/".join(one.before + ">" + one.after for one in change.systems)
        print(f"{'  ' if right else '!!'} {kind} {seed} {first.car} {what}: {change.turn} ({turns or '-'}; {words})")
        sys.stdout.flush()
    print("; ".join(f"{kind}: {wrong[kind]} wrong of {done[kind]}" for kind in EXPECTED))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
