"""What recording costs at full live load, and how long an alarm takes to be on the disk.

Run: `python tests/benchmarks/recording.py [--seconds 10] [--folder DIR]`. Give a folder on the disk to be measured.

29,600 frames/s (four full 1 Mbit/s buses, ISO 11898-1) are handed over in batches of 13 ms, as the live source makes
them, and ten alarms a second with 20 kB of lead-up each. Printed: CPU of the recorder's thread, the time an alarm's
`write_events` takes (its event and the rows before it durable), and the bare cost of one fsync of the same bytes on
this disk in the same run, for comparison.
"""

from __future__ import annotations

import argparse
import os
import shutil
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np

from livewatch.data.alarm_states import State
from livewatch.data.event_json import line_of
from livewatch.data.events import AlarmChanged, Event, SecondsBefore
from livewatch.data.frames import FrameBatch
from livewatch.profile.model import Channel, Profile, TableMapping
from livewatch.session import Recorder, Session

RATE = 29_600
BATCH = 0.013


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seconds", type=float, default=10.0)
    parser.add_argument("--folder", type=Path, default=None)
    arguments = parser.parse_args()
    parent = Path(tempfile.mkdtemp(prefix="livewatch-recording-", dir=arguments.folder))
    try:
        run(parent, arguments.seconds)
    finally:
        shutil.rmtree(parent)


def run(parent: Path, seconds: float) -> None:
    """Record for a while."""
    folder = Session.create(parent, profile(), ["four full buses"])
    recorder = Recorder(folder)
    used: list[float] = []
    work = recorder._rows.write

    def counted(batch: object) -> None:
        before = time.thread_time()
        work(batch)  # type: ignore[arg-type]
        used.append(time.thread_time() - before)

    recorder._rows.write = counted  # type: ignore[method-assign]
    count = round(RATE * BATCH)
    waits: list[float] = []
    taken: list[float] = []
    start = time.monotonic()
    number = 0
    most_behind = 0
    while (now := time.monotonic()) - start < seconds:
        batch = frames(count, number * count)
        before = time.perf_counter()
        recorder.write_rows(batch)
        taken.append(time.perf_counter() - before)
        if number % 8 == 0:
            before = time.perf_counter()
            recorder.write_events([alarm(number)])
            waits.append(time.perf_counter() - before)
        most_behind = max(most_behind, recorder.behind)
        number += 1
        time.sleep(max(0.0, start + number * BATCH - time.monotonic()))
    wall = now - start
    recorder.close()
    bare = bare_fsync(parent, len(line_of(alarm(0), 0)))
    size = sum(part.stat().st_size for part in folder.frame_parts())
    print(f"{number * count / wall:.0f} frames/s for {wall:.0f} s, {size / 1e6:.0f} MB of frames")
    print(
        f"recorder thread: {sum(used) / wall * 100:.1f} % of one core, {sum(used) / number / count * 1e6:.2f} us/frame"
    )
    print(f"write_rows: {np.mean(taken) * 1e6:.0f} us on average, {np.max(taken) * 1e3:.1f} ms at the most")
    print(f"alarm durable: {percentiles(waits)}, {len(waits)} alarms")
    print(f"one bare fsync of as many bytes: {percentiles(bare)}")
    print(f"rows waiting at the most: {most_behind}; odd: {recorder.counts or 'nothing'}")


def percentiles(values: list[float]) -> str:
    """Median, 99th percentile and largest, in ms."""
    middle, high, most = np.percentile(values, [50, 99, 100]) * 1e3
    return f"median {middle:.1f} ms, 99 % within {high:.1f} ms, at the most {most:.1f} ms"


def bare_fsync(parent: Path, size: int) -> list[float]:
    """The disk alone."""
    waits = []
    with (parent / "bare").open("ab", buffering=0) as file:
        for _ in range(100):
            before = time.perf_counter()
            file.write(bytes(size))
            os.fsync(file.fileno())
            waits.append(time.perf_counter() - before)
    return waits


def frames(count: int, first: int) -> FrameBatch:
    """Frames of four buses."""
    place = np.arange(first, first + count)
    return FrameBatch(
        1_777_887_000_000_000_000 + place * 33_784,
        (place % 4).astype(np.uint8),
        (0x100 + place % 30).astype(np.uint32),
        np.zeros(count, np.uint8),
        np.full(count, 8, np.uint8),
        place.astype(">u8").view(np.uint8).reshape(count, 8),
        ("engine", "chassis", "body", "cell"),
    )


def alarm(number: int) -> Event:
    """An alarm with its lead-up: 40 channels, five seconds, ten values a second."""
    before = {f"channel_{place}": [number + place / 7] * 50 for place in range(40)}
    words: Any = ("raised", State.UNACKNOWLEDGED, State.NORMAL, "critical", True, "lambda_ratio > 1.06", "", "")
    seconds = SecondsBefore(0.1, number * 0.013, before)
    return AlarmChanged(number * 13_000_000, 1_777_887_000_000_000_000, "lean_under_load", *words, before=seconds)


def profile() -> Profile:
    """The least profile a session folder takes."""
    return Profile(
        name="recording",
        buses={"engine": ()},
        messages=(),
        diagnostics=(),
        channels=(Channel("engine_speed", "rpm"),),
        alarms=(),
        authority={},
        engine=None,
        tables=TableMapping(),
        figures=(),
        period=10_000_000,
        lead_up=0,
        sources={},
        text="profile: 1\nname: recording\n",
    )


if __name__ == "__main__":
    main()
