"""The memory of a diagnosis over a whole day of driving.

Run: `python tests/benchmarks/day_long_memory.py [--hours 24] [--minutes 30]`. A minute or two of one core; Linux.

So many minutes of the simulated turbocharged car (real_drives.py: every engine channel, signature and all alarms on)
are written as a recording, which another process diagnoses over and over as one drive: each time its stamps are moved
behind those before. What is printed is that process alone: memory in use after each pass, the most so far, and the most
while the run is closed and its finding made. Bar: 200 MiB, and flat.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import livewatch
from livewatch.data.frames import FrameBatch
from livewatch.diagnosis import diagnosis
from livewatch.diagnosis.assessment import Assessment, assess
from livewatch.profile.shipped import find_profile
from livewatch.run.opening import Source
from livewatch.signature import Signature
from livewatch.sources.bus_map import BusMap
from livewatch.sources.recordings.recording import Recording, open_recording

CAR = "brackwell_20t"
PAUSE = 10_000_000
"""ns between the end of one pass and the beginning of the next."""
STATE = Path("/proc/self")


def in_use() -> float:
    """MiB."""
    return _said("VmRSS")


def most() -> float:
    """MiB at the most since the last `forget_most`."""
    return _said("VmHWM")


def forget_most() -> None:
    (STATE / "clear_refs").write_text("5")


def _said(name: str) -> float:
    lines = (STATE / "status").read_text().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith(name)) / 1024


class Repeated:
    """A recording, over and over: what a `Source` reads from."""

    progress = 0.0

    def __init__(self, recording: Recording, hours: float) -> None:
        self.counts: dict[str, int] = {}
        self._recording = recording
        self._until = round(hours * 3.6e12)

    def batches(self, size: int = 65536) -> Iterator[FrameBatch]:
        """Its frames with later and later stamps. The last pass is whole."""
        began, moved, stamp = None, 0, 0
        while moved < self._until:
            for batch in self._recording.batches(size):
                began = int(batch.time[0]) if began is None else began
                stamp = int(batch.time[-1]) + moved
                yield replace(batch, time=batch.time + moved)
            moved = stamp + PAUSE - began
            print(f"{moved / 3.6e12:5.1f} h: {in_use():4.0f} MiB, {most():4.0f} at the most", flush=True)


def judge(path: Path, hours: float) -> None:
    """What the other process does."""
    profile = livewatch.load_profile(CAR)
    print(f"  0.0 h: {in_use():4.0f} MiB", flush=True)

    def repeated(*_: object) -> Source:
        rows = Repeated(open_recording(path), hours)
        return Source(str(path), "a day", rows, BusMap(profile, {}), livewatch.Stretch())

    def weighed(signature: Signature, *_: object) -> Assessment:
        print(f" closed: {in_use():4.0f} MiB, {most():4.0f} at the most", flush=True)
        forget_most()
        said = assess(signature)
        print(f"finding: {in_use():4.0f} MiB, {most():4.0f} at the most", flush=True)
        return said

    vars(diagnosis).update(open_source=repeated, assess=weighed)
    found = diagnosis.diagnose_one(path, profile, diagnosis.Terms())
    print(f"{len(found.events)} events, {len(found.alarms)} alarms; {found.verdict}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--hours", type=float, default=24.0)
    parser.add_argument("--minutes", type=float, default=30.0, help="of driving that are simulated")
    parser.add_argument("--recording", type=Path, help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.recording is not None:
        judge(given.recording, given.hours)
        return
    from real_drives import WIRES

    wrong = (livewatch.Mismatch("air_meter_bore", 70.0),)
    drive = livewatch.simulate(livewatch.Scenario(duration=60.0 * given.minutes, mismatches=wrong, seed=3))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "drive.log"
        profile = livewatch.load_profile(find_profile(CAR))
        livewatch.write_recording(livewatch.frames_of(drive, profile, WIRES["sparse"]), path)
        command = [sys.executable, __file__, "--recording", str(path), "--hours", str(given.hours)]
        subprocess.run(command, check=True, env={**os.environ, "OPENBLAS_NUM_THREADS": "1"})


if __name__ == "__main__":
    main()
