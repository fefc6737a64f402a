"""Gives livewatch seeded wrong files of every kind, and says what did not hold.

    python tests/attacks/attack.py --inputs 50000 --workers 2 [--first 0] [--kinds dbc,profile] [--minutes 60]

Each input goes through the command line, in a process that was forked with everything loaded, in an empty folder of
its own. It holds when the exit code is 0, 2, 3, 4 or 5, in under 10 s of processor time (a minute by the clock, so that
a busy machine is not blamed) and 512 MiB, when nothing is written beside it, and when what is printed has neither a
traceback nor a code that acts on a terminal. Anything else is printed with its kind and number;
`mutated(SEEDS[kind](), number)` makes that input again. The kinds take turns, so that a run cut short by `--minutes`
has tried as many of each.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import signal
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

sys.path.insert(0, str(Path(__file__).parents[2]))

from livewatch.commands.cli import main
from tests.attacks.messages import MESSAGE_SEEDS, received
from tests.attacks.mutations import PROFILE, SEEDS, candump, mutated

ALLOWED = (0, 2, 3, 4, 5)
LONGEST = 10
"""Seconds of processor time an input may take."""
LONGEST_WAIT = 60
"""Seconds by the clock."""
LARGEST = 512 * 1024
"""KiB of memory a process may reach."""
BATCH = 100
"""Inputs to a process."""
SUFFIXES = {
    "candump": ".log", "candump.gz": ".log.gz", "asc": ".asc", "blf": ".blf", "trc": ".trc", "csv recording": ".csv",
    "sqlite": ".db", "csv table": ".csv", "parquet": ".parquet",
}  # fmt: skip
CAR = PROFILE + b"signature_alarms: off\n"
PORT = (
    b"profile: 1\nname: car\nsignature_alarms: off\ndiagnostics: {bus: engine}\n"
    b"poll: [{service: 1, pid: 0x0C, every: 1 s}, {service: 1, pid: 0x0B, every: 1 s}]\n"
)


class Trouble(NamedTuple):
    """One input that did not hold."""

    kind: str
    number: int
    what: str


def command(kind: str, content: bytes, folder: Path) -> list[str]:
    """Lays the input out in `folder`; the command line that reads it."""
    (folder / "car.yaml").write_bytes(CAR)
    diagnose = ["diagnose", "-p", "car.yaml", "--json"]
    match kind:
        case "profile":
            (folder / "car.yaml").write_bytes(content)
            return ["profile", "check", "car.yaml"]
        case "formula":
            text = json.dumps(content.decode("utf-8", "replace"))
            (folder / "car.yaml").write_text(
                "profile: 1\nname: car\n"
                f"channels: {{engine_speed: {{}}, boost_pressure: {{}}, x: {{formula: {text}, unit: 1}}}}\n",
                encoding="utf-8",
            )
            return ["profile", "check", "car.yaml"]
        case "dbc":
            (folder / "engine.dbc").write_bytes(content)
            return ["profile", "from-dbc", "engine.dbc", "--bus", "engine"]
        case "build sheet":
            (folder / "build.yaml").write_bytes(content)
            return ["check", "-p", "car.yaml", "build.yaml"]
        case "baseline":
            (folder / "drive.log").write_bytes(candump())
            (folder / "matching.json").write_bytes(content)
            return [*diagnose, "drive.log", "--baseline", "matching.json"]
        case "manifest" | "event log" | "samples":
            return session(kind, content, folder)
        case "diagnostic answers":
            (folder / "car.yaml").write_bytes(PORT)
            pieces = [content[at : at + 8] for at in range(0, len(content), 8)]
            lines = [f"({1_777_884_600 + at / 50:.6f}) can0 7E8#{piece.hex()}\n" for at, piece in enumerate(pieces)]
            (folder / "drive.log").write_text("".join(lines))
            return [*diagnose, "drive.log"]
    name = f"drive{SUFFIXES[kind]}"
    (folder / name).write_bytes(content)
    return [*diagnose, name]


def session(kind: str, content: bytes, folder: Path) -> list[str]:
    """A session folder with one file of it changed."""
    run = folder / "car-20260504T083000Z"
    run.mkdir()
    files = {"manifest": "manifest.json", "event log": "events.jsonl", "samples": "samples.csv"}
    for each, name in files.items():
        (run / name).write_bytes(content if each == kind else SEEDS[each]())
    (run / "profile.yaml").write_bytes(CAR)
    (run / "frames-0001.log").write_bytes(candump())
    return ["events", run.name, "--summary"] if kind == "event log" else ["diagnose", run.name, "--json"]


def listing(folder: Path) -> set[Path]:
    return set(folder.rglob("*"))


def tried(kind: str, number: int, content: bytes) -> str:
    """What did not hold for one input; empty when all did. Time and memory are looked at by the caller."""
    with tempfile.TemporaryDirectory() as name, tempfile.TemporaryFile() as printed:
        folder = Path(name)
        arguments = [] if kind in MESSAGE_SEEDS else command(kind, content, folder)
        before = listing(folder)
        os.chdir(folder)
        kept = os.dup(1), os.dup(2)
        sys.stdout.flush()
        sys.stderr.flush()
        os.dup2(printed.fileno(), 1)
        os.dup2(printed.fileno(), 2)
        try:
            code = received(kind, content) if kind in MESSAGE_SEEDS else main(arguments)
            sys.stdout.flush()
            sys.stderr.flush()
        finally:
            os.dup2(kept[0], 1)
            os.dup2(kept[1], 2)
            os.close(kept[0])
            os.close(kept[1])
            os.chdir("/")
        printed.seek(0)
        text = printed.read().decode("utf-8", "replace")
        if code not in ALLOWED:
            return f"exit code {code}: {text[-300:]!r}"
        if "Traceback" in text:
            return f"a traceback: {text[-300:]!r}"
        if acting := [character for character in text if character != "\n" and not character.isprintable()]:
            return f"printed {acting[0]!r}"
        if listing(folder) != before:
            return f"wrote {sorted(map(str, listing(folder) - before))[:3]}"
    return ""


def worker(kind: str, first: int, last: int, pipe: int) -> None:
    """Tries the inputs of these numbers and tells of each through the pipe; runs in a process of its own."""

    def tell(line: str) -> None:
        os.write(pipe, line.encode())

    seed = SEEDS[kind]()
    for number in range(first, last):
        tell(f"begin {number}\n")
        signal.setitimer(signal.ITIMER_PROF, LONGEST)
        signal.alarm(LONGEST_WAIT)
        begun = time.process_time()
        what = tried(kind, number, mutated(seed, number))
        signal.alarm(0)
        signal.setitimer(signal.ITIMER_PROF, 0)
        memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        if not what and memory > LARGEST:
            what = f"reached {memory // 1024} MiB"
        tell(json.dumps([number, round(time.process_time() - begun, 3), memory, what]) + "\n")
        if memory > LARGEST:
            return


def batch(kind: str, first: int, last: int, figures: Counter[str]) -> Iterator[Trouble]:
    """Tries a batch in a forked process; one that dies costs its own input only."""
    while first < last:
        reading, writing = os.pipe()
        process = os.fork()
        if not process:
            os.close(reading)
            try:
                worker(kind, first, last, writing)
            finally:
                os._exit(0)
        os.close(writing)
        begun = done = first - 1
        with os.fdopen(reading, encoding="utf-8") as lines:
            for line in lines:
                if line.startswith("begin"):
                    begun = int(line.split()[1])
                    continue
                done, seconds, memory, what = json.loads(line)
                figures["inputs"] += 1
                figures["milliseconds"] = max(figures["milliseconds"], round(1000 * seconds))
                figures["MiB"] = max(figures["MiB"], memory // 1024)
                if what:
                    yield Trouble(kind, done, what)
        _, status = os.waitpid(process, 0)
        if begun > done:
            figures["inputs"] += 1
            yield Trouble(kind, begun, f"ended by signal {os.WTERMSIG(status)}" if os.WIFSIGNALED(status) else "died")
        first = max(begun, done) + 1


def attack(kinds: list[str], first: int, each: int, minutes: float) -> int:
    """Tries `each` inputs of every kind, or as many as go into `minutes`, and prints the figures; the number of
    troubles."""
    end = time.monotonic() + 60.0 * minutes
    figures: dict[str, Counter[str]] = {kind: Counter() for kind in kinds}
    for kind in kinds:
        main_is_loaded(kind)
    for start in range(first, first + each, BATCH):
        for kind in kinds:
            for trouble in batch(kind, start, min(start + BATCH, first + each), figures[kind]):
                figures[kind]["troubles"] += 1
                print(f"  {trouble.kind} {trouble.number}: {trouble.what}", flush=True)
        if time.monotonic() > end:
            break
    for kind, count in figures.items():
        print(
            f"{kind:20} {count['inputs']:8} inputs, {count['troubles']} did not hold; "
            f"longest {count['milliseconds'] / 1000:.2f} s, most {count['MiB']} MiB",
            flush=True,
        )
    return sum(count["troubles"] for count in figures.values())


def main_is_loaded(kind: str) -> None:
    """Read the right file of the kind once, so that forked processes have everything loaded."""
    if what := tried(kind, -1, SEEDS[kind]()):
        raise SystemExit(f"{kind}: the right file itself does not hold: {what}")


if __name__ == "__main__":
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--inputs", type=int, default=1000, help="over all kinds")
    options.add_argument("--first", type=int, default=0, help="number of the first input of each kind")
    options.add_argument("--workers", type=int, default=1)
    options.add_argument("--minutes", type=float, default=float("inf"), help="end after this time")
    options.add_argument("--kinds", default=",".join(SEEDS))
    given = options.parse_args()
    wanted = given.kinds.split(",")
    share = -(-given.inputs // (len(wanted) * given.workers))
    workers = []
    for place in range(given.workers):
        child = os.fork()
        if not child:
            os._exit(bool(attack(wanted, given.first + place * share, share, given.minutes)))
        workers.append(child)
    sys.exit(any(os.waitpid(child, 0)[1] for child in workers))
