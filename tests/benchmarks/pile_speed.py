"""How long a pile of recordings takes on one core and on two, and whether it is the same table whatever happens to it.

Run: `python tests/benchmarks/pile_speed.py [--recordings 400] [--minutes 10] [--cores 1 2] [--times-only]`; what
is aimed at is said of 40 recordings.

`--drives` simulated drives of the shipped cars are written as candump, compressed, and copied: each copy has a frame of
its own at its end, so that no two are the same. The command `livewatch diagnose FOLDER --table` reads them in a process
tied to so many cores, with nothing kept from before but the resolved profile, and is timed as a whole, beside the sum
of the times that `diagnose` of each takes in a process that has read one. Then: killed half-way and resumed; spread
over a dask cluster of two workers on this machine; and the same with one worker killed in mid-run. Each time the table
has to be the same, byte for byte.
"""

from __future__ import annotations

import argparse
import gzip
import os
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from diagnose_speed import aimed
from distributed import LocalCluster

from livewatch import (
    Pile,
    PileWork,
    Scenario,
    diagnose,
    load_profile,
    recordings_in,
    simulate,
    worst_first,
    write_table,
)
from livewatch.simulator.bus_frames import broadcast
from livewatch.sources.recordings.candump.line_writer import format_candump

CAR = "brackwell_20t"
SUM_AIM, FASTER_AIM = 1.3, 1.8
"""On one core at the most so many times the sum in one process; on two at least so many times as fast as on one."""
MOST_ALONE = 40
"""Recordings read in one process, of which the sum of all is taken."""


def write_pile(folder: Path, recordings: int, minutes: float, drives: int) -> None:
    """So many recordings, each with content of its own."""
    profile = load_profile(CAR)
    bases = []
    for seed in range(drives):
        drive = simulate(Scenario(car=CAR, route="mixed", duration=60.0 * minutes, seed=3000 + seed))
        bases.append(gzip.compress(b"".join(format_candump(batch) for batch in broadcast(drive, profile)), 3))
    for number in range(recordings):
        own = gzip.compress(f"(1999999999.{number:06d}) can0 7FF#{number:016X}\n".encode())
        (folder / f"{number:04d}.log.gz").write_bytes(bases[number % drives] + own)


def command(pile: Path, table: Path) -> list[str]:
    return [sys.executable, "-m", "livewatch", "diagnose", str(pile), "-p", CAR, "--table", str(table)]


def environment(kept: Path) -> dict[str, str]:
    return {**os.environ, "LIVEWATCH_CACHE": str(kept)}


def timed(pile: Path, table: Path, kept: Path, cores: int) -> float:
    """Wall time of the whole command on so many cores, s."""
    mine = sorted(os.sched_getaffinity(0))[:cores]
    os.environ["LIVEWATCH_CACHE"] = str(kept)
    load_profile(CAR)
    began = time.perf_counter()
    subprocess.run(
        command(pile, table),
        check=True,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        env=environment(kept),
        preexec_fn=lambda: os.sched_setaffinity(0, mine),
    )
    return time.perf_counter() - began


def in_process(pile: Path) -> float:
    """The sum of the times that the diagnosis of each recording takes in this process on one core, once it has read
    one, s; of a large pile a part is read, and the sum is that of all as the part goes."""
    profile = load_profile(CAR)
    paths = recordings_in([pile]).paths
    some = paths[:MOST_ALONE]
    cores = os.sched_getaffinity(0)
    os.sched_setaffinity(0, {min(cores)})
    try:
        diagnose(some[0], profile)
        began = time.perf_counter()
        for path in some:
            diagnose(path, profile)
        return (time.perf_counter() - began) * len(paths) / len(some)
    finally:
        os.sched_setaffinity(0, cores)


def killed_and_resumed(pile: Path, table: Path, kept: Path, recordings: int) -> int:
    """The table of a run that was killed with half of the rows kept; how many were."""
    with subprocess.Popen(
        command(pile, table), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, env=environment(kept)
    ) as process:
        while process.poll() is None and len(list(kept.glob("pile/[!.]*.json"))) < recordings // 2:
            time.sleep(0.02)
        process.kill()
    done = len(list(kept.glob("pile/[!.]*.json")))
    timed(pile, table, kept, os.cpu_count() or 1)
    return done


def over_cluster(pile: Path, table: Path, kills: bool) -> None:
    """The table by two workers, of which one is killed after the first rows when `kills`."""
    os.environ["LIVEWATCH_CACHE"] = ""
    with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address="127.0.0.1:0", silence_logs=50) as cluster:
        rows = []
        for told in PileWork(recordings_in([pile]).paths, Pile(CAR)).rows(cluster.scheduler_address):
            rows.append(told.row)
            if kills and len(rows) == 2:
                os.kill(next(iter(cluster.workers.values())).pid, signal.SIGKILL)
        write_table(table, worst_first(rows))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--recordings", type=int, default=400)
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--drives", type=int, default=4)
    parser.add_argument("--cores", type=int, nargs="*", default=[1, 2])
    parser.add_argument("--times-only", action="store_true", help="kill nothing, and start no cluster")
    parser.add_argument("--pile", type=Path, help="keep the recordings here, and take those that are here already")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        pile: Path = given.pile or folder / "pile"
        pile.mkdir(parents=True, exist_ok=True)
        if not any(pile.iterdir()):
            write_pile(pile, given.recordings, given.minutes, given.drives)
        size = sum(path.stat().st_size for path in pile.iterdir()) / 1e6
        print(f"{given.recordings} recordings of {given.minutes:g} min, {size:.0f} MB compressed", flush=True)
        alone = in_process(pile)
        print(f"the sum in one process: {alone:.1f} s, {alone / given.recordings:.3f} s a recording", flush=True)
        wall: dict[int, float] = {}
        for cores in given.cores:
            wall[cores] = timed(pile, folder / f"{cores}.csv", folder / f"kept{cores}", cores)
            part = wall[cores] / alone
            aim = aimed(part, SUM_AIM, least=False) if cores == 1 else ""
            load = os.getloadavg()[0]
            print(f"{cores} cores: {wall[cores]:.1f} s, {part:.2f} times the sum{aim} (load {load:.1f})", flush=True)
        if {1, 2} <= wall.keys():
            faster = wall[1] / wall[2]
            print(f"one core to two: {faster:.2f} times as fast{aimed(faster, FASTER_AIM)}", flush=True)
        if given.times_only:
            return
        whole = (folder / f"{given.cores[-1]}.csv").read_bytes()
        done = killed_and_resumed(pile, folder / "killed.csv", folder / "kept", given.recordings)
        same = (folder / "killed.csv").read_bytes() == whole
        print(f"killed with {done} rows and resumed: {'the same table' if same else 'ANOTHER TABLE'}", flush=True)
        for kills in (False, True):
            over_cluster(pile, folder / "cluster.csv", kills)
            same = (folder / "cluster.csv").read_bytes() == whole
            how = "one of two workers killed" if kills else "two workers"
            print(f"dask, {how}: {'the same table' if same else 'ANOTHER TABLE'}", flush=True)


if __name__ == "__main__":
    main()
