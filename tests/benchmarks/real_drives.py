"""Recordings of the simulated turbocharged car, as a benchmark reads them: every engine channel, signature, all alarms.

Minutes of driving come in; files come out: a sparse recording (about 230 frames/s, no other traffic), one of a full
500 kbit/s bus (about 2,000 frames/s, most of them unknown), each as candump, gzipped candump and BLF, and the
channels of the sparse one as tables with ten rows a second.
"""

from __future__ import annotations

import gzip
import shutil
from collections.abc import Mapping
from pathlib import Path

import can

from livewatch.commands.cli import main as livewatch
from livewatch.profile import load_profile
from livewatch.profile.shipped import find_profile
from livewatch.simulator import Mismatch, Scenario, simulate
from livewatch.simulator.bus_frames import Wire, broadcast
from livewatch.simulator.recording_writer import as_recorded, write_recording

__all__ = ["CAR", "DBC", "WIRES", "write_drives", "write_tables"]

CAR = "brackwell_20t"
DBC = find_profile(CAR).with_suffix(".dbc")
WIRES: Mapping[str, Wire] = {"sparse": Wire(slower=2.13), "full": Wire(other_traffic=0.375)}


def write_drives(folder: Path, minutes: float) -> dict[str, tuple[int, list[Path]]]:
    """By kind: the number of frames, and the files. The meter's tube is wider than calibrated for, so that alarms are
    raised and there is something to find."""
    profile = load_profile(find_profile(CAR))
    drive = simulate(Scenario(duration=60.0 * minutes, mismatches=(Mismatch("air_meter_bore", 70.0),), seed=3))
    found = {}
    for kind, wire in WIRES.items():
        log = folder / f"{kind}.log"
        count = write_recording(as_recorded(broadcast(drive, profile, wire), profile), log)
        zipped, blf = folder / f"{kind}.log.gz", folder / f"{kind}.blf"
        with log.open("rb") as plain, gzip.open(zipped, "wb", 6) as file:
            shutil.copyfileobj(plain, file, 1 << 20)
        with can.BLFWriter(blf) as writer:
            for message in can.CanutilsLogReader(log):
                message.channel = 1
                writer.on_message_received(message)
        found[kind] = (count, [log, zipped, blf])
    return found


def write_tables(folder: Path, recording: Path) -> list[Path]:
    """The channels of a recording, ten rows a second, as CSV and as Parquet."""
    tables = [folder / "table.csv", folder / "table.parquet"]
    for table in tables:
        assert not livewatch(["export", str(recording), str(table), "-p", CAR, "--every", "100ms"])
    return tables
