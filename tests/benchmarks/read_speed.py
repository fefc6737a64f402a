"""How fast recordings are read and written, against python-can's readers on the same files in the same run.

    python tests/benchmarks/read_speed.py [frames]

One million frames (unless told otherwise) of 30 identifiers: candump text, the same compressed, and BLF with classic
frames and with CAN FD frames. Prints frames a second of both and their ratio, the peak memory of reading each with
livewatch, and what writing candump lines costs for live batches of some sizes.
"""

from __future__ import annotations

import gzip
import shutil
import sys
import tempfile
import tracemalloc
from pathlib import Path
from time import perf_counter

import can
import numpy as np

from livewatch.data.frames import BRS, EXTENDED, FD, FrameBatch
from livewatch.sources.recordings.candump.line_writer import format_candump
from livewatch.sources.recordings.recording import open_recording

BATCH = 65536


def frames(count: int, fd: bool = False) -> FrameBatch:
    """Random frames, a tenth of them with 29-bit identifiers, 7,400 a second."""
    chance = np.random.default_rng(1)
    identifiers = np.concatenate([chance.integers(0x100, 0x7FF, 27), chance.integers(0x18000000, 0x18FFFFFF, 3)])
    identifier = chance.choice(identifiers, count).astype(np.uint32)
    flags = np.where(identifier > 0x7FF, EXTENDED, 0).astype(np.uint8) | (FD | BRS if fd else 0)
    width = 64 if fd else 8
    return FrameBatch(
        time=1_700_000_000 * 10**9 + np.cumsum(chance.integers(100, 170, count)) * 1000,
        bus=np.zeros(count, np.uint8),
        identifier=identifier,
        flags=flags.astype(np.uint8),
        length=np.full(count, width, np.uint8),
        data=chance.integers(0, 256, (count, width)).astype(np.uint8),
        buses=("0",),
    )


def write_blf(path: Path, batch: FrameBatch) -> None:
    """With python-can's writer."""
    with can.BLFWriter(str(path)) as writer:
        for start in range(0, len(batch), BATCH):
            for message in batch[start : start + BATCH].to_messages():
                message.channel = 0
                writer(message)


def ours(path: Path) -> tuple[float, int]:
    """Seconds and frames; the best of three."""
    best = float("inf")
    for _ in range(3):
        start = perf_counter()
        count = sum(len(batch) for batch in open_recording(path).batches(BATCH))
        best = min(best, perf_counter() - start)
    return best, count


def theirs(path: Path) -> tuple[float, int]:
    """Seconds and frames."""
    start = perf_counter()
    with can.LogReader(str(path)) as reader:
        count = sum(1 for _ in reader)
    return perf_counter() - start, count


def peak(path: Path) -> float:
    """Most MiB that reading takes."""
    tracemalloc.start()
    for _ in open_recording(path).batches(BATCH):
        pass
    most = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return most / 2**20


def compare(what: str, path: Path) -> None:
    """Print one line."""
    fast, mine = ours(path)
    slow, other = theirs(path)
    assert mine == other, (mine, other)
    print(
        f"{what:22} {path.stat().st_size / 1e6:6.1f} MB, frames/s: livewatch {mine / fast:10,.0f} ({fast:.3f} s), "
        f"python-can {other / slow:8,.0f} ({slow:.2f} s), ratio {slow / fast:.1f}; peak {peak(path):.0f} MiB"
    )


def writing() -> None:
    """Print what a batch of candump lines costs."""
    batch = frames(10_000)
    for size in (1, 10, 100, 400, 1000, 10_000):
        part = batch[:size]
        times = max(5, 20_000 // size)
        costs = []
        for _ in range(5):
            start = perf_counter()
            for _ in range(times):
                format_candump(part)
            costs.append((perf_counter() - start) / times)
        print(f"candump lines of {size:6} frames: {min(costs) * 1e6:9.1f} us, {min(costs) / size * 1e6:.3f} us a frame")


def main() -> None:
    """Print the figures."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    folder = Path(tempfile.mkdtemp(prefix="livewatch-reading-"))
    try:
        classic, fd = frames(count), frames(count // 5, fd=True)
        log = folder / "drive.log"
        log.write_bytes(format_candump(classic))
        compare("candump", log)
        packed = folder / "drive.log.gz"
        packed.write_bytes(gzip.compress(log.read_bytes(), 6))
        compare("candump, compressed", packed)
        log.write_bytes(format_candump(fd))
        compare("candump, CAN FD", log)
        blf = folder / "drive.blf"
        write_blf(blf, classic)
        compare("BLF", blf)
        write_blf(blf, fd)
        compare("BLF, CAN FD", blf)
    finally:
        shutil.rmtree(folder)
    writing()


if __name__ == "__main__":
    main()
