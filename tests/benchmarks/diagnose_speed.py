"""How much faster `diagnose` is than the plain loop "python-can reader + cantools decode", and what memory it needs.

Run: `python tests/benchmarks/diagnose_speed.py [--only CASE ...] [--minutes 60] [--frames 1000000] [--hours 8]`.

- `sparse`, `full`: the simulated turbocharged car with all its engine channels, the signature and its alarms on, about
  230 and 2,000 frames/s, as candump, gzipped candump and BLF (see `real_drives.py`). The loop decodes the frames that
  the DBC knows and does nothing else; `diagnose` does all it does.
- `start`: whole processes, median of nine, side by side with `python -c "import numpy"`: the front door, and `diagnose`
  of ten seconds; and `replay` to the first frame of the dashboard (POSIX).
- `table`: the channels of the sparse drive, ten rows a second, against pandas' reader alone.
- `bare`: a bus of 30 identifiers with 60 signals and no engine channel, on which the signature sleeps, at 3,000
  frames/s with 20 alarms. It shows reading, decoding, the grid and plain alarms alone.
- `memory`: the peak of the whole command over a recording of one hour and of `--hours`, 500 frames/s.

What is aimed at stands behind each figure that has a bar. Of a pile, `pile_speed.py` prints the figures.

Both in this process, in turn, best of three by the wall clock, and the processor time of that run (of all threads);
then the whole command once, with Python's start and all imports. On a machine that does other things as well, compare
processor times. Set `OPENBLAS_NUM_THREADS=1`, as the command does: further threads of linear algebra wait by spinning.
"""

from __future__ import annotations

import argparse
import fcntl
import os
import pty
import resource
import struct
import subprocess
import sys
import tempfile
import termios
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import NamedTuple

import can
import cantools
import numpy as np
from real_drives import CAR, DBC, write_drives, write_tables

from livewatch import FrameBatch, Profile, diagnose, load_profile
from livewatch.profile.shipped import find_profile
from livewatch.simulator import Scenario, simulate
from livewatch.simulator.bus_frames import broadcast
from livewatch.simulator.recording_writer import as_recorded, write_recording
from livewatch.sources.recordings.candump.line_writer import format_candump

MESSAGES, ALARMS = 30, 20
CASES = ("sparse", "full", "start", "table", "bare", "memory")
LOOP = "python-can + cantools"
AIMS = {("sparse", ".log"): (15, 8), ("sparse", ".gz"): (15, 8), ("sparse", ".blf"): (15, 8)} | {
    ("full", ".log"): (25, 15),
    ("full", ".gz"): (25, 15),
    ("full", ".blf"): (20, 15),
}
"""How many times faster than the loop: in the process, and as a whole command."""
HOUR_AIM, NUMPY_AIM, SMALL_AIM, DOOR_AIM, FRAME_AIM, MEMORY_AIM = 0.5, 4.0, 0.6, 0.1, 1.0, 200
"""Processor seconds of an hour of driving; times the import of numpy that a start takes; s of a small file, the front
door, the first frame; MiB at the most."""
STARTS = 9
CAUTIONS = b"have read this"


def write_vehicle(folder: Path) -> Path:
    """The DBC and the profile; the profile's path."""
    dbc = ['VERSION ""', "NS_ :", "BS_:", "BU_: ECU", ""]
    profile = ["profile: 1", "name: speed test", "decode:", "  - {dbc: speed.dbc, bus: engine}", "channels:"]
    for number in range(MESSAGES):
        dbc += [
            f"BO_ {0x100 + 16 * number} M{number}: 8 ECU",
            f' SG_ A{number} : 0|16@1+ (0.1,0) [0|6553.5] "kPa" ECU',
            f' SG_ B{number} : 23|16@0- (0.01,0) [-327.68|327.67] "%" ECU',
            "",
        ]
        profile += [
            f"  a_{number}: {{signal: A{number}, unit: kPa}}",
            f'  b_{number}: {{signal: B{number}, unit: "%"}}',
        ]
    profile.append("alarms:")
    for number in range(ALARMS):
        profile += [
            f"  high_{number}:",
            f"    condition: a_{number} > 5500 kPa and b_{number} > -200 %",
            "    on_delay: 0.3 s",
            "    off_delay: 1 s",
            "    priority: low",
            "    action: Ease off.",
        ]
    (folder / "speed.dbc").write_text("\n".join(dbc))
    path = folder / "speed.yaml"
    path.write_text("\n".join(profile))
    return path


def frames(count: int, rate: float, start: int = 0) -> FrameBatch:
    """Frames `start` to `start + count` of the drive."""
    number = np.arange(start, start + count)
    seconds = number / rate
    message = (number % MESSAGES).astype(np.uint32)
    data = np.zeros((count, 8), np.uint8)
    first = 30000 + 28000 * np.sin(seconds / 40 + message)
    second = 20000 * np.sin(seconds / 11 + 2 * message)
    data[:, 0:2] = first.astype("<u2").view(np.uint8).reshape(count, 2)
    data[:, 2:4] = second.astype(">i2").view(np.uint8).reshape(count, 2)
    data[:, 6] = number // MESSAGES & 15
    data[:, 7] = data[:, :7].sum(axis=1)
    return FrameBatch(
        1_760_000_000_000_000_000 + (seconds * 1e6).astype(np.int64) * 1000,
        np.zeros(count, np.uint8),
        0x100 + 16 * message,
        np.zeros(count, np.uint8),
        np.full(count, 8, np.uint8),
        data,
        ("can0",),
    )


def write_candump(path: Path, count: int, rate: float) -> None:
    with path.open("wb") as file:
        for start in range(0, count, 100_000):
            file.write(format_candump(frames(min(100_000, count - start), rate, start)))


def write_blf(path: Path, source: Path) -> None:
    with can.BLFWriter(path) as writer:
        for message in can.CanutilsLogReader(source):
            message.channel = 1
            writer.on_message_received(message)


def plain_loop(path: Path, dbc: Path) -> None:
    database = cantools.database.load_file(dbc)
    known = {message.frame_id for message in database.messages}
    decoded = 0
    for message in can.LogReader(path):
        if message.arbitration_id in known:
            decoded += len(database.decode_message(message.arbitration_id, bytes(message.data)))
    assert decoded


def plain_table(path: Path) -> None:
    import pandas

    assert len(pandas.read_csv(path) if path.suffix == ".csv" else pandas.read_parquet(path))


def diagnosed(path: Path, profile: Profile) -> None:
    diagnosis = diagnose(path, profile)
    diagnosis.to_json()
    assert diagnosis.alarms, "the recording raises alarms"


class Took(NamedTuple):
    """Seconds by the wall clock, and of processor time."""

    wall: float
    processor: float

    def __str__(self) -> str:
        return f"{self.wall:.3f} s ({self.processor:.3f} s of processor time)"


def best(measure: Callable[[], None], times: int = 3) -> Took:
    taken = []
    for _ in range(times):
        wall, processor = time.perf_counter(), time.process_time()
        measure()
        taken.append(Took(time.perf_counter() - wall, time.process_time() - processor))
    return min(taken)


def compare(path: Path, name: str, plain: Callable[[], None], profile: Path, times: int, kind: str = "") -> Took:
    """One line: the plain reader, `diagnose` in this process, the whole command. Gives what `diagnose` took."""
    loaded = load_profile(profile)
    reader, ours = best(plain, times), best(lambda: diagnosed(path, loaded), times)
    whole, _ = command(path, profile)

    aims = AIMS.get((kind, path.suffix), (None, None))

    def ratio(took: Took, aim: float | None) -> str:
        times, share = reader.wall / took.wall, reader.processor / took.processor
        return f"{took}: {times:.1f} times faster ({share:.1f} by processor time{aimed(times, aim)})"

    said = f"diagnose {ratio(ours, aims[0])}; whole command {ratio(whole, aims[1])}"
    print(f"{path.name}: {name} {reader}, {said}", flush=True)
    return ours


def aimed(figure: float, aim: float | None, least: bool = True) -> str:
    """What is aimed at, at least or at the most, and whether it is met."""
    if aim is None:
        return ""
    return f"; aimed at {aim:g}: {'met' if (figure >= aim) == least else 'missed'}"


def command(path: Path, profile: Path) -> tuple[Took, float]:
    """Time and peak memory in MiB of the whole command."""
    script = (
        "import resource, sys; from livewatch.commands.cli import main; code = main(sys.argv[1:]); "
        "print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss, file=sys.stderr); sys.exit(code)"
    )
    before, began = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-c", script, "diagnose", str(path), "-p", str(profile), "--json"],
        capture_output=True,
        text=True,
        check=True,
    )
    after, wall = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter() - began
    took = Took(wall, after.ru_utime - before.ru_utime + after.ru_stime - before.ru_stime)
    return took, int(done.stderr.split()[-1]) / (2**20 if sys.platform == "darwin" else 1024)


def bare(folder: Path, options: argparse.Namespace) -> None:
    """A bus without an engine."""
    profile = write_vehicle(folder)
    log, blf = folder / "speed.log", folder / "speed.blf"
    write_candump(log, options.frames, 3000.0)
    write_blf(blf, log)
    print(f"bare: {options.frames} frames, {MESSAGES} identifiers, {2 * MESSAGES} signals, {ALARMS} alarms")
    for path in (log, blf):
        compare(path, LOOP, partial(plain_loop, path, folder / "speed.dbc"), profile, options.times)


def memory(folder: Path, options: argparse.Namespace) -> None:
    """What the whole command needs at the most."""
    profile, peaks = write_vehicle(folder), []
    for hours in (1, options.hours):
        long = folder / "long.log"
        write_candump(long, hours * 3600 * 500, 500.0)
        took, peak = command(long, profile)
        peaks.append(peak)
        print(f"{hours} h at 500 frames/s: peak {peak:.0f} MiB{aimed(peak, MEMORY_AIM, False)}, {took.wall:.1f} s")
    print(f"peak memory {options.hours} h / 1 h: {peaks[1] / peaks[0]:.3f}")


def start(folder: Path) -> None:
    """Whole processes that have hardly anything to do."""
    short = folder / "short.log"
    car = load_profile(CAR)
    write_recording(as_recorded(broadcast(simulate(Scenario(duration=10.0, seed=3)), car), car), short)
    run = [sys.executable, "-m", "livewatch"]
    asked = {
        "import numpy": [sys.executable, "-c", "import numpy"],
        "import livewatch": [sys.executable, "-c", "import livewatch"],
        "diagnose of ten seconds": [*run, "diagnose", str(short), "-p", CAR],
    }
    taken: dict[str, list[Took]] = {name: [] for name in asked}
    for number in range(STARTS + 1):
        for name, arguments in asked.items():
            took = child(arguments)
            if number:  # the first one fills caches
                taken[name].append(took)
    middle = {name: sorted(each)[STARTS // 2] for name, each in taken.items()}
    times = middle["diagnose of ten seconds"].wall / middle["import numpy"].wall
    print(f"import livewatch: {middle['import livewatch']}{aimed(middle['import livewatch'].wall, DOOR_AIM, False)}")
    small = middle["diagnose of ten seconds"]
    print(f"diagnose of ten seconds: {small}{aimed(small.wall, SMALL_AIM, False)}")
    print(f"  {times:.1f} times `import numpy` ({middle['import numpy']}){aimed(times, NUMPY_AIM, False)}")
    replay = [*run, "replay", str(short), "-p", CAR, "--out", str(folder)]
    frames = sorted([first_frame(replay, folder) for _ in range(STARTS + 1)][1:])[STARTS // 2]
    print(f"first frame of the dashboard: {frames:.2f} s{aimed(frames, FRAME_AIM, False)}", flush=True)


def child(arguments: list[str]) -> Took:
    before, began = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    subprocess.run(arguments, capture_output=True, check=True)
    after, wall = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter() - began
    return Took(wall, after.ru_utime - before.ru_utime + after.ru_stime - before.ru_stime)


def first_frame(arguments: list[str], home: Path) -> float:
    """Seconds from the start of a dashboard until it has drawn its cautions, on a terminal of its own, for somebody who
    has not read them."""
    began, (ours, theirs), seen = time.perf_counter(), pty.openpty(), b""
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 40, 120, 0, 0))
    terminal = {**os.environ, "TERM": "xterm-256color", "COLORTERM": "truecolor"}
    terminal |= dict.fromkeys(
        ("HOME", "XDG_CONFIG_HOME", "XDG_DATA_HOME", "XDG_STATE_HOME", "XDG_CACHE_HOME"), str(home)
    )
    with subprocess.Popen(
        arguments, stdin=theirs, stdout=theirs, stderr=theirs, env=terminal, start_new_session=True
    ) as process:
        os.close(theirs)
        while CAUTIONS not in seen and time.perf_counter() - began < 60.0:
            seen += os.read(ours, 1 << 16)
        took = time.perf_counter() - began
        process.kill()
    os.close(ours)
    assert CAUTIONS in seen
    return took


def driving(folder: Path, options: argparse.Namespace) -> None:
    """The turbocharged car, as frames and as tables."""
    profile = find_profile(CAR)
    drives = write_drives(folder, options.minutes)
    for kind, (count, paths) in drives.items():
        if kind in options.only:
            print(f"{kind}: {options.minutes:g} minutes, {count} frames, {count / options.minutes / 60:.0f} frames/s")
            for path in paths:
                took = compare(path, LOOP, partial(plain_loop, path, DBC), profile, options.times, kind)
                hour = took.processor * 60.0 / options.minutes
                print(f"  an hour of it: {hour:.2f} s of processor time{aimed(hour, HOUR_AIM, False)}", flush=True)
    if "table" in options.only:
        for path in write_tables(folder, drives["sparse"][1][0]):
            compare(path, "pandas", partial(plain_table, path), profile, options.times)


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--only", nargs="*", choices=CASES, default=CASES)
    parser.add_argument("--minutes", type=float, default=60.0, help="of driving")
    parser.add_argument("--frames", type=int, default=1_000_000, help="on the bus without an engine")
    parser.add_argument("--hours", type=int, default=8, help="of the memory figure")
    parser.add_argument("--times", type=int, default=3, help="each is measured")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        if {"sparse", "full", "table"} & set(options.only):
            driving(folder, options)
        if "start" in options.only:
            start(folder)
        if "bare" in options.only:
            bare(folder, options)
        if "memory" in options.only:
            memory(folder, options)
        print(f"this process peaked at {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MiB")


if __name__ == "__main__":
    main()
