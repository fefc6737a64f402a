"""One simulated drive, from a scenario to columns.

In: a `Scenario`. Out: a `Drive`: the true quantities, the channels as the car's sensors and engine computer report
them, and what is wrong with the car. The physics, the engine computer and the driver are stepped together at 100 Hz;
all that feeds nothing back is worked out on whole columns afterwards.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from livewatch.simulator.mismatches import KINDS
from livewatch.simulator.reported_channels import report_channels
from livewatch.simulator.running_car import NAMES, RunningCar
from livewatch.simulator.scenario import Scenario

__all__ = ["STEP", "Drive", "simulate"]

STEP = 0.01
"""s between steps; the grid of every column of a drive."""
ROWS_AT_ONCE = 1000
"""Steps gathered before they go into the columns: ten seconds."""


@dataclass(frozen=True, slots=True, eq=False)
class Drive:
    """A finished drive of n steps.

    Attributes:
        scenario: what was driven, resolved.
        time: float64 (n,), s since the start.
        channels: by catalogue name, float64 (n,) in the catalogue's unit: what sensors and engine computer report.
        truth: by `running_car.NAMES`, float64 (n,), SI units: what is really so. `need_1` and `need_2`: what
            the computer's base fuel would have to be multiplied by, at the valve, without delay or sensor; NaN while
            the fuel is cut.
        facts: what is wrong (kind, size, unit, onset), surroundings, fuel, fault codes, as JSON-like values.
        cells: the learned long term trims at the end, one list a bank, as shares.
        confirmed, pending: fault codes by second set.
    """

    scenario: Scenario
    time: NDArray[np.float64]
    channels: Mapping[str, NDArray[np.float64]]
    truth: Mapping[str, NDArray[np.float64]]
    facts: Mapping[str, Any]
    cells: tuple[tuple[float, ...], ...]
    confirmed: Mapping[str, float]
    pending: Mapping[str, float]


def simulate(scenario: Scenario, tell: Callable[[float], None] | None = None) -> Drive:
    """Drive the scenario. The same scenario gives the same drive, bit for bit.

    Args:
        tell: called every ten seconds of the drive with the second it has come to.

    Raises:
        UsageError: the scenario makes no sense (see `Scenario.resolved`).
    """
    scenario = scenario.resolved()
    assert scenario.duration is not None
    car = RunningCar(scenario)
    steps = round(scenario.duration / STEP)
    table = np.empty((len(NAMES), steps))
    for first in range(0, steps, ROWS_AT_ONCE):
        rows = []
        for step in range(first, min(first + ROWS_AT_ONCE, steps)):
            car.step(STEP, step * STEP)
            rows.append(car.row())
        table[:, first : first + len(rows)] = np.array(rows, np.float64).T
        if tell is not None:
            tell((first + len(rows)) * STEP)
    truth: dict[str, NDArray[np.float64]] = dict(zip(NAMES, table, strict=True))
    for bank in ("1", "2"):
        with np.errstate(divide="ignore", invalid="ignore"):
            need = (1.0 + truth[f"short_{bank}"]) * (1.0 + truth[f"long_{bank}"]) / truth[f"richness_{bank}"]
            truth[f"need_{bank}"] = np.where(truth["fuel_cut"] > 0.0, np.nan, need / truth["commanded_lambda"])
    time = np.arange(steps, dtype=np.float64) * STEP
    trims = car.computer.fuel.trims
    return Drive(
        scenario=scenario,
        time=time,
        channels=report_channels(truth, car),
        truth=truth,
        facts=_facts(scenario, car),
        cells=tuple(tuple(trim.cells) for trim in trims),
        confirmed=dict(car.faults.confirmed),
        pending=dict(car.faults.pending),
    )


def _facts(scenario: Scenario, car: RunningCar) -> dict[str, Any]:
    return {
        "car": car.name,
        "route": car.route_name,
        "seed": scenario.seed,
        "mismatches": [
            {"kind": wrong.name, "size": wrong.size, "unit": KINDS[wrong.name].unit, "onset_s": wrong.onset}
            for wrong in scenario.mismatches
        ],
        "barometer_kPa": car.outside / 1e3,
        "altitude_m": scenario.altitude_m,
        "ambient_degC": scenario.ambient_degC,
        "ethanol_percent": scenario.ethanol_percent,
        "stoichiometric": car.fuel_blend.stoichiometric,
        "dry_air_share": car.dry_share,
        "tolerances": dict(sorted(asdict(car.tolerances).items())),
        "fault_codes": sorted(car.faults.confirmed),
        "pending_codes": sorted(car.faults.pending),
    }
