"""What the signature costs: seconds of one core for an hour of driving, and memory over eight hours.

    .venv/bin/python tests/benchmarks/signature_cost.py       # an hour at 100 Hz with 40 channels, then 8 h of memory

A simulated mixed drive is laid end to end. Printed: seconds for an hour taken in batches of 10 s (a diagnosis), of 1 s
and of 0.1 s (a live run), milliseconds for one finding, and the size of everything kept after each hour. Bar: half a
second for an hour in batches of 10 s.
"""

from __future__ import annotations

import argparse
import os
import pickle
import time
from collections.abc import Iterator

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

from livewatch.data.channels import CATALOGUE
from livewatch.data.ticks import TickBatch
from livewatch.profile import Profile, load_profile_text
from livewatch.signature import Signature
from livewatch.simulator import Mismatch, Scenario, simulate

CHANNELS = 40
SECONDS = 600.0


def drive() -> tuple[Profile, np.ndarray]:
    """A profile of 40 channels and ten minutes of them, float64 (40, n), at 100 Hz."""
    made = simulate(Scenario(mismatches=[Mismatch("air_meter_bore", 69.0)], duration=SECONDS, seed=1900))
    names = [name for name in made.channels if name in CATALOGUE]
    more = [f"extra_{k}" for k in range(CHANNELS - len(names))]
    lines = ["profile: 1", "name: cost", "signature_alarms: off"]
    lines.append(
        "engine: {displacement: 1.998 L, cylinders: 4, induction: turbocharged, air_metering: mass_air_flow, "
        "fuel: gasoline E10, volumetric_efficiency: 0.87 .. 0.99}"
    )
    lines.append("channels:")
    lines += [f"  {name}: {{unit: '{CATALOGUE[name].unit}'}}" for name in names]
    lines += [f"  {name}: {{unit: '1'}}" for name in more]
    profile = load_profile_text("\n".join(lines) + "\n", "cost.yaml", None)
    n = len(made.time)
    value = np.zeros((len(profile.index), n))
    for name in names:
        value[profile.index[name]] = made.channels[name]
    return profile, value


def batches(profile: Profile, value: np.ndarray, hours: float, size: int) -> Iterator[TickBatch]:
    """The drive end to end for so many hours, `size` ticks a batch."""
    n = value.shape[1]
    age = np.zeros((len(value), size), np.float32)
    quality = np.zeros((len(value), size), np.uint8)
    index = profile.index
    for first in range(0, int(hours * 360_000), size):
        start = first % n
        part = value[:, start : start + size]
        if part.shape[1] < size:
            part = np.concatenate((part, value[:, : size - part.shape[1]]), axis=1)
        utc = (first + np.arange(size, dtype=np.int64)) * 10_000_000
        yield TickBatch(first, profile.period, index, part, quality, age, part, utc)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--hours", type=int, default=8, help="hours of memory (8)")
    given = parser.parse_args()
    profile, value = drive()
    print(f"{len(profile.index)} channels at 100 Hz")
    for size in (1000, 100, 10):
        signature = Signature(profile)
        hour = list(batches(profile, value, 1.0, size))
        started = time.process_time()
        for batch in hour:
            signature.observe(batch)
        spent = time.process_time() - started
        print(f"an hour in batches of {size / 100:g} s: {spent:.2f} s of one core")
    times = []
    for _ in range(5):
        signature.finish()
        started = time.process_time()
        signature.finding()
        times.append(time.process_time() - started)
    print(f"one finding after an hour: {1e3 * min(times):.0f} ms")
    signature = Signature(profile)
    ticks = 0
    for batch in batches(profile, value, float(given.hours), 4000):
        signature.observe(batch)
        ticks += len(batch)
        if ticks % 360_000 == 0:
            print(f"after {ticks // 360_000} h: {len(pickle.dumps(signature)) / 1024:.0f} KiB kept")


if __name__ == "__main__":
    main()
