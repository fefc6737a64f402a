"""Plots of simulated drives, to be looked at by a person who knows engines.

    python tests/simulator/draw_drives.py FOLDER

In: nothing but the scenarios below. Out: one PNG a drive in FOLDER: speed and pedal, pressures, air flow, lambda,
trims, duty and knock over time.
"""

from __future__ import annotations

import sys
from collections.abc import Mapping
from pathlib import Path

from livewatch.simulator.drive import Drive, simulate
from livewatch.simulator.mismatches import Mismatch
from livewatch.simulator.scenario import Scenario

SHOWN: Mapping[str, Scenario] = {
    "matching_parts_mixed": Scenario(route="mixed", duration=300.0, seed=11),
    "larger_bore_mixed": Scenario(
        route="mixed", duration=300.0, mismatches=(Mismatch("air_meter_bore", 70.0),), seed=12
    ),
    "hose_off_in_a_pull": Scenario(
        route="pulls", duration=130.0, mismatches=(Mismatch("pressure_leak", 45.0, 96.0),), seed=14
    ),
    "overshoot_pulls": Scenario(route="pulls", duration=130.0, mismatches=(Mismatch("boost_solenoid", 28.0),), seed=14),
}
"""The drives to be plotted, by file name."""


def plot_drive(drive: Drive, path: Path, title: str, start: float = 0.0, stop: float | None = None) -> None:
    """Draw the drive between two seconds into `path` (PNG)."""
    import matplotlib  # late: only this script and the report need it

    matplotlib.use("Agg")
    from matplotlib import pyplot

    channels = drive.channels
    inside = (drive.time >= start) & (drive.time < (stop if stop is not None else drive.time[-1] + 1.0))
    time = drive.time[inside]
    panels: tuple[tuple[str, tuple[str, ...]], ...] = (
        ("rpm/100, km/h, %", ("engine_speed", "vehicle_speed", "accelerator_pedal_position", "throttle_position")),
        ("kPa absolute", ("manifold_pressure", "boost_pressure", "commanded_boost_pressure")),
        ("g/s", ("mass_air_flow",)),
        ("lambda", ("lambda_1", "lambda_2", "commanded_lambda", "oxygen_sensor_voltage_1")),
        ("trims, %", ("short_term_fuel_trim_1", "long_term_fuel_trim_1", "short_term_fuel_trim_2", "purge_duty")),
        (
            "duty %, deg, rail kPa/10",
            ("wastegate_duty", "knock_retard", "ignition_advance", "fuel_rail_pressure", "idle_air_correction"),
        ),
    )
    figure, axes = pyplot.subplots(len(panels), 1, figsize=(17, 15), sharex=True)
    for axis, (unit, names) in zip(axes, panels, strict=True):
        for name in names:
            if name in channels:
                scale = {"engine_speed": 0.01, "fuel_rail_pressure": 0.1}.get(name, 1.0)
                axis.plot(time, channels[name][inside] * scale, label=name, linewidth=0.9)
        if unit == "lambda":
            axis.set_ylim(0.7, 1.35)
        if unit == "g/s":
            axis.plot(time, drive.truth["cylinder_air"][inside] * 1e3, label="into the cylinders", linewidth=0.7)
        axis.set_ylabel(unit)
        axis.legend(loc="upper left", fontsize=7, ncols=5)
        axis.grid(alpha=0.3)
    axes[-1].set_xlabel("s")
    figure.suptitle(title)
    figure.tight_layout()
    figure.savefig(path, dpi=80)
    pyplot.close(figure)


def main(arguments: list[str]) -> int:
    """Draw every drive of `SHOWN` into the folder named on the command line."""
    if len(arguments) != 1:
        print("usage: python tests/simulator/draw_drives.py FOLDER", file=sys.stderr)
        return 2
    folder = Path(arguments[0])
    folder.mkdir(parents=True, exist_ok=True)
    for name, scenario in SHOWN.items():
        drive = simulate(scenario)
        plot_drive(drive, folder / f"{name}.png", name.replace("_", " "))
        print(f"{folder / name}.png: {drive.facts['fault_codes'] or 'no fault code'}")
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
