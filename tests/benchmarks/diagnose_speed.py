"""How much faster `diagnose` is than the plain loop "python-can reader + cantools decode", and what memory it needs.

Run: `python tests/benchmarks/diagnose_speed.py [--frames 1000000] [--hours 8]`.

A recording of 30 identifiers with 60 signals is written as candump and as BLF (smooth signals, a counter and a checksum
byte in each frame, as on a real bus; 3,000 frames/s). The loop decodes every frame of it and does nothing else.
`diagnose` reads, decodes, puts 60 channels on the 100 Hz grid, watches 20 alarms and the lost channels, and runs the
signature. Both in this process, in turn, best of three; then the whole command once, with Python's start and all
imports. The memory figure is the peak of the whole command over a recording of one hour and of `--hours`, 500 frames/s.
"""

from __future__ import annotations

import argparse
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import can
import cantools
import numpy as np

from livewatch import FrameBatch, diagnose, load_profile
from livewatch.sources.recordings.candump.candump_reader import format_candump

MESSAGES, ALARMS = 30, 20


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


def plain_loop(path: Path, dbc: Path) -> float:
    database = cantools.database.load_file(dbc)
    decoded = 0
    began = time.perf_counter()
    for message in can.LogReader(path):
        decoded += len(database.decode_message(message.arbitration_id, bytes(message.data)))
    took = time.perf_counter() - began
    assert decoded
    return took


def diagnosed(path: Path, profile_path: Path) -> float:
    profile = load_profile(profile_path)
    began = time.perf_counter()
    diagnosis = diagnose(path, profile)
    diagnosis.to_json()
    took = time.perf_counter() - began
    assert diagnosis.alarms, "the recording raises alarms"
    return took


def best(measure: Callable[[], float], times: int = 3) -> float:
    return min(measure() for _ in range(times))


def command(path: Path, profile: Path) -> tuple[float, float]:
    """Wall seconds and peak memory in MiB of the whole command."""
    script = (
        "import resource, sys; from livewatch.commands.cli import main; code = main(sys.argv[1:]); "
        "print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss, file=sys.stderr); sys.exit(code)"
    )
    began = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-c", script, "diagnose", str(path), "-p", str(profile), "--json"],
        capture_output=True,
        text=True,
        check=True,
    )
    took = time.perf_counter() - began
    return took, int(done.stderr.split()[-1]) / (2**20 if sys.platform == "darwin" else 1024)


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--frames", type=int, default=1_000_000)
    parser.add_argument("--hours", type=int, default=8, help="0 leaves the memory figure out")
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        profile = write_vehicle(folder)
        log, blf = folder / "speed.log", folder / "speed.blf"
        write_candump(log, arguments.frames, 3000.0)
        write_blf(blf, log)
        print(f"{arguments.frames} frames, {MESSAGES} identifiers, {2 * MESSAGES} signals, {ALARMS} alarms")
        for path in (log, blf):
            plain = best(lambda path=path: plain_loop(path, folder / "speed.dbc"))  # type: ignore[misc]
            ours = best(lambda path=path: diagnosed(path, profile))  # type: ignore[misc]
            whole, _ = command(path, profile)
            print(
                f"{path.suffix}: python-can + cantools {plain:.2f} s, diagnose {ours:.3f} s: "
                f"{plain / ours:.1f} times faster; whole command {whole:.2f} s: {plain / whole:.1f} times"
            )
        if arguments.hours:
            peaks = []
            for hours in (1, arguments.hours):
                long = folder / "long.log"
                write_candump(long, hours * 3600 * 500, 500.0)
                took, peak = command(long, profile)
                peaks.append(peak)
                print(f"{hours} h at 500 frames/s: peak {peak:.0f} MiB, {took:.1f} s", flush=True)
            print(f"peak memory {arguments.hours} h / 1 h: {peaks[1] / peaks[0]:.3f}")
        print(f"this process peaked at {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MiB")


if __name__ == "__main__":
    main()
