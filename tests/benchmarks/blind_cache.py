"""Simulated drives kept in a folder, so that judging them again costs the judging alone.

A draw goes in, a `KeptDrive` comes out: read from the folder if it is there, else simulated and kept. One numpy file a
drive, 85 MB an hour of driving and as it is (compressing took as long as simulating), in single precision, under the
hash of the draw; judged is always what was kept, so that the first time and the next see the same numbers. A kept drive
knows no more of the simulator than the evaluation asks for, and is judged by any version of livewatch.
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
from blind_scenarios import Drawn, key_of, simulated_as
from numpy.typing import NDArray

from livewatch.simulator import CARS, STEP, simulate

__all__ = ["KeptDrive", "driven", "is_kept", "keep"]

Column = NDArray[np.float64]
TRUTH = (
    "speed", "road_speed", "pedal", "brake", "coolant", "fuel_cut", "overboost_cut", "status", "commanded_lambda",
    "richness_1", "richness_2", "need_1", "need_2", "manifold_pressure", "pipe_pressure", "commanded_boost", "rail",
    "knock_margin", "metered", "sensed_air", "manifold_leak", "pressure_leak", "fuel_rate",
)  # fmt: skip
"""The true columns that judging asks for."""


@dataclass(frozen=True, slots=True, eq=False)
class KeptDrive:
    """As `livewatch.simulator.Drive`, as far as the evaluation asks: `scenario` has seed, car, mismatches, fitted and
    calibrated_for."""

    scenario: SimpleNamespace
    time: Column
    channels: Mapping[str, Column]
    truth: Mapping[str, Column]
    facts: Mapping[str, Any]
    confirmed: Mapping[str, float]
    pending: Mapping[str, float]


def _path(drawn: Drawn, folder: Path) -> Path:
    return folder / f"{drawn['kind']}_{drawn['seed']}_{key_of(drawn)}.npz"


def is_kept(drawn: Drawn, folder: Path | None) -> bool:
    """Whether the folder has the drive."""
    return folder is not None and _path(drawn, folder).is_file()


def driven(drawn: Drawn, folder: Path | None) -> KeptDrive:
    """The drive of a draw; without a folder it is simulated and kept nowhere."""
    if folder is None:
        return _kept(drawn, _simulated(drawn))
    if not is_kept(drawn, folder):
        keep(drawn, folder)
    with np.load(_path(drawn, folder)) as file:
        return _kept(drawn, dict(file))


def keep(drawn: Drawn, folder: Path) -> None:
    """Simulate the drive of a draw into the folder."""
    folder.mkdir(parents=True, exist_ok=True)
    path = _path(drawn, folder)
    part = path.with_suffix(f".{os.getpid()}.part")
    with part.open("wb") as file:
        np.savez(file, allow_pickle=False, **_simulated(drawn))
    part.replace(path)


def _simulated(drawn: Drawn) -> dict[str, NDArray[Any]]:
    drive = simulate(simulated_as(drawn))
    arrays: dict[str, NDArray[Any]] = {f"channel {name}": np.float32(column) for name, column in drive.channels.items()}
    arrays |= {f"true {name}": np.float32(drive.truth[name]) for name in TRUTH}
    told = {"facts": dict(drive.facts), "confirmed": dict(drive.confirmed), "pending": dict(drive.pending)}
    return arrays | {"told": np.frombuffer(json.dumps(told).encode(), np.uint8)}


def _kept(drawn: Drawn, arrays: Mapping[str, NDArray[Any]]) -> KeptDrive:
    told = json.loads(arrays["told"].tobytes())
    columns: dict[str, dict[str, Column]] = {"channel": {}, "true": {}}
    for name, array in arrays.items():
        kind, _, plain = name.partition(" ")
        if plain:
            columns[kind][plain] = np.float64(array)
    car = CARS[drawn["car"]]
    scenario = SimpleNamespace(
        seed=drawn["seed"], car=car, fitted=car.build, calibrated_for=car.build,
        mismatches=tuple(SimpleNamespace(name=kind, size=size, onset=0.0) for kind, size in drawn["mismatches"]),
    )  # fmt: skip
    n = len(columns["true"]["speed"])
    return KeptDrive(
        scenario=scenario,
        time=np.arange(n, dtype=np.float64) * STEP,
        channels=columns["channel"],
        truth=columns["true"],
        facts=told["facts"],
        confirmed=told["confirmed"],
        pending=told["pending"],
    )
