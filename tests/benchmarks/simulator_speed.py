"""How long an hour of simulated driving takes to write, on one core.

    python tests/benchmarks/simulator_speed.py [MINUTES]

Prints the share of each part and the ratio to real time; ends with 1 when an hour would take 60 s of one core or more.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

from livewatch.profile import load_profile
from livewatch.profile.shipped import find_profile
from livewatch.simulator import Scenario, simulate
from livewatch.simulator.bus_frames import Wire, broadcast
from livewatch.simulator.recording_writer import as_recorded, write_recording

BAR = 60.0
"""s of one core for an hour of driving."""


def main(minutes: float) -> int:
    profile = load_profile(find_profile("brackwell_20t"))
    start, wall = time.process_time(), time.perf_counter()
    drive = simulate(Scenario(route="mixed", duration=minutes * 60.0))
    driven = time.process_time()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "hour.log"
        count = write_recording(as_recorded(broadcast(drive, profile, Wire(other_traffic=0.10)), profile), path)
        size = path.stat().st_size
    end, wall = time.process_time(), time.perf_counter() - wall
    hour = (end - start) * 60.0 / minutes
    print(f"{minutes:g} minutes of driving, {count:,} frames, {size / 1e6:.0f} MB of candump")
    print(f"driven in {driven - start:.1f} s, packed and written in {end - driven:.1f} s of one core")
    print(f"{wall:.1f} s by the clock")
    print(
        f"an hour takes {hour:.1f} s of one core: {3600.0 / hour:.0f} times real time (bar: {3600.0 / BAR:.0f} times)"
    )
    return 0 if hour < BAR else 1


if __name__ == "__main__":
    raise SystemExit(main(float(sys.argv[1]) if len(sys.argv) > 1 else 60.0))
