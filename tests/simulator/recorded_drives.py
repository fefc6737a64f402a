"""The recorded drives that come with livewatch, and how each was made.

    python tests/simulator/recorded_drives.py FOLDER [NAME ...]

In: the list below. Out: one recording each in FOLDER, byte for byte what `replay_data/` holds. They are kept small: the
messages of the engine bus come less often than a car sends them, most other traffic is left out.
"""

from __future__ import annotations

import sys
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from livewatch.profile import load_profile
from livewatch.profile.shipped import find_profile
from livewatch.simulator.bus_frames import BEGINS, Wire
from livewatch.simulator.cars import CARS
from livewatch.simulator.drive import Drive, simulate
from livewatch.simulator.mismatches import KINDS, Mismatch
from livewatch.simulator.recording_writer import as_recorded, frames_of, write_recording
from livewatch.simulator.scenario import Scenario

DAY = 86_400_000_000_000
SLOWER: Mapping[str, float] = {
    "ENGINE_MAIN": 0.05,
    "AIR_PATH": 0.05,
    "BOOST_CONTROL": 0.05,
    "FUEL": 0.05,
    "FUEL_TRIMS": 0.2,
    "FUEL_RAIL": 0.1,
    "TEMPERATURES": 0.5,
    "VEHICLE": 0.2,
    "WHEEL_SPEEDS": 1.0,
    "ENGINE_STATES": 0.2,
    "SURROUNDINGS": 0.5,
    "SPEED_LOAD": 0.05,
    "AIR": 0.05,
    "LAMBDA": 0.05,
    "SLOW": 0.2,
    "ROAD": 0.2,
    "CELL_DRIVE": 0.05,
    "CELL_EXHAUST": 0.05,
    "CELL_AIR": 0.5,
}
"""s between frames of each message in these recordings."""


@dataclass(frozen=True, slots=True)
class Recorded:
    """One recording: the profile that reads it, the day (counted from the first) and the drive. `before` is driven
    first, unrecorded, for what the engine computer has learned by then."""

    profile: str
    day: int
    scenario: Scenario
    before: Scenario | None = None


def _rebuilt(bore: float) -> Scenario:
    """The Brackwell with a larger meter tube and a calibration written for it."""
    build = KINDS["air_meter_bore"].fit(CARS["brackwell_20t"].build, bore)
    return Scenario(route="dyno", duration=262.0, fitted=build, calibrated_for=build, ageing=0.3, seed=109)


SHELF: Mapping[str, Recorded] = {
    "matching_parts": Recorded("brackwell_20t", 0, Scenario(duration=300.0, seed=101)),
    "larger_intake_bore": Recorded(
        "brackwell_20t", 3, Scenario(duration=300.0, mismatches=(Mismatch("air_meter_bore", 70.0),), seed=102)
    ),
    "larger_injectors": Recorded(
        "brackwell_20t",
        7,
        Scenario(duration=300.0, mismatches=(Mismatch("injector_flow", 17.0),), seed=103),
        before=Scenario(duration=900.0, mismatches=(Mismatch("injector_flow", 17.0),), seed=112),
    ),
    "vacuum_leak": Recorded(
        "linden_16", 8, Scenario(car="linden_16", duration=420.0, mismatches=(Mismatch("vacuum_leak", 1.9),), seed=104)
    ),
    "hose_off_in_a_pull": Recorded(
        "brackwell_20t",
        11,
        Scenario(route="pulls", duration=150.0, mismatches=(Mismatch("pressure_leak", 45.0, 96.0),), seed=14),
    ),
    "boost_overshoot": Recorded(
        "brackwell_20t",
        14,
        Scenario(route="pulls", duration=210.0, mismatches=(Mismatch("boost_solenoid", 28.0),), seed=106),
    ),
    "boost_creep": Recorded(
        "brackwell_20t",
        15,
        Scenario(route="pulls", duration=210.0, mismatches=(Mismatch("free_exhaust", 70.0),), seed=107),
    ),
    "fuel_supply_limit": Recorded(
        "brackwell_20t",
        18,
        Scenario(route="pulls", duration=210.0, mismatches=(Mismatch("fuel_supply", 45.0),), seed=108),
    ),
    "dyno_session": Recorded("dyno_cell", 21, _rebuilt(70.0)),
    "altitude": Recorded("brackwell_20t", 25, Scenario(duration=300.0, altitude_m=1900.0, ambient_degC=11.0, seed=110)),
    "weak_injector_bank_2": Recorded(
        "tarn_30t",
        28,
        Scenario(car="tarn_30t", duration=240.0, mismatches=(Mismatch("weak_injector", 45.0),), seed=111),
    ),
    "tube_and_vacuum_leak": Recorded(
        "brackwell_20t",
        30,
        Scenario(duration=300.0, mismatches=(Mismatch("air_meter_bore", 70.0), Mismatch("vacuum_leak", 3.0)), seed=113),
    ),
    "injectors_and_solenoid": Recorded(
        "brackwell_20t",
        32,
        Scenario(
            duration=300.0, mismatches=(Mismatch("injector_flow", 25.0), Mismatch("boost_solenoid", 40.0)), seed=115
        ),
    ),
}
"""Every recording by name, in the order of the story told in replay_data/README.md."""


def drive_of(name: str) -> Drive:
    """Drive what the recording `name` holds."""
    recorded = SHELF[name]
    scenario = recorded.scenario
    if recorded.before is not None:
        scenario = replace(scenario, cells=simulate(recorded.before).cells)
    return simulate(scenario)


def write(name: str, folder: Path) -> Path:
    """Make the recording `name` in `folder`; its path comes back.

    Raises:
        UsageError: it cannot be written.
    """
    recorded = SHELF[name]
    profile = load_profile(find_profile(recorded.profile))
    drive = drive_of(name)
    frames = frames_of(drive, profile, Wire(begins=BEGINS + recorded.day * DAY, periods=SLOWER))
    path = folder / f"{name}.log.gz"
    write_recording(as_recorded(frames, profile), path)
    return path


def main(arguments: list[str]) -> int:
    """Make the recordings named on the command line, or all, in the folder named first."""
    if not arguments:
        print("usage: python tests/simulator/recorded_drives.py FOLDER [NAME ...]", file=sys.stderr)
        return 2
    folder = Path(arguments[0])
    folder.mkdir(parents=True, exist_ok=True)
    for name in arguments[1:] or SHELF:
        path = write(name, folder)
        print(f"{path}: {path.stat().st_size / 1000:.0f} kB")
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
