"""Gives livewatch seeded wrong inputs of every kind, and says what did not hold.

    python tests/attacks/attack.py --inputs 1000000 --workers 2 --kept FILE [--first 0] [--kinds a,b] [--minutes 60]
    python tests/attacks/attack.py --sum FILE

Files go through the command line; pieces of them, and messages, straight to the door that reads them (`pieces.py`), so
that there are hundreds of them for each file. `trial.py` says when an input holds; besides, it takes under 10 s of
processor time and 512 MiB. Anything else is printed with its kind and number; `wrong(kind, number)` makes it again.

The kinds take turns, each in a process forked with everything loaded; one round has all kinds once. `--first` is the
number of the first round, `--kept` a file that the figures of every turn are added to.
"""

from __future__ import annotations

import argparse
import gc
import json
import mmap
import os
import resource
import signal
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any, NamedTuple

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.attacks.pieces import PIECES, SUFFIXES
from tests.attacks.seeds import FILES
from tests.attacks.trial import KINDS, Trial, seeds, wrong

__all__ = ["Trouble", "batch"]

LONGEST = 10
"""Seconds of processor time an input may take."""
LONGEST_WAIT = 60
"""Seconds by the clock."""
LARGEST = 512 * 1024
"""KiB of memory a process may reach."""
MOST_DATA = 2 << 30
"""Bytes of data at which an input is cut off, so that one that swells harms nobody else."""
RARE = {"mf4": 20}
"""Rounds between two turns of a kind: the process that reads MF4 takes seconds to begin."""
A_PIECE = 400
"""Inputs of a piece in a round."""
SMALL = (
    "unit", "quantity", "words", "yaml", "browser message", "manifest reading", "event log reading", "mqtt again",
    "mqtt acknowledge", "mqtt topic", "mqtt status", "mqtt alarms", "mqtt verdict", "mqtt authority",
)  # fmt: skip
"""The quickest ones: three times as many."""
SLOW = ("browser request", "build answers", "profile reading", "build sheet reading", "dbc reading")
"""The slowest ones: a fifth as many, as of recordings."""
TURNS = {
    **dict.fromkeys(PIECES, A_PIECE),
    **dict.fromkeys(SMALL, 3 * A_PIECE),
    **dict.fromkeys([*SLOW, *(f"{kind} reading" for kind in SUFFIXES if kind != "mf4")], A_PIECE // 5),
    **dict.fromkeys(FILES, 10),
    "mf4": 50,
}
"""Inputs of a kind in a round."""


class Trouble(NamedTuple):
    """One input that did not hold."""

    kind: str
    number: int
    what: str


def worker(kind: str, first: int, last: int, begun: mmap.mmap, pipe: int) -> None:
    """Tries the inputs of these numbers in a process of its own; the number at hand stands in `begun`, troubles and, at
    the end, the figures go through the pipe."""

    def tell(*said: Any) -> None:
        os.write(pipe, f"{json.dumps(said)}\n".encode())

    figures: Counter[str] = Counter()
    resource.setrlimit(resource.RLIMIT_DATA, (MOST_DATA, resource.RLIM_INFINITY))
    with suppress(OSError):
        Path("/proc/self/clear_refs").write_text("5")  # the peak is that of this process
    parent = Path(tempfile.gettempdir()) / "livewatch-attacks"
    with tempfile.TemporaryDirectory(dir=_memory()) as name:
        folder = Path(name) / "folder"
        folder.mkdir()
        os.environ["LIVEWATCH_CACHE"] = str(parent)
        trial = Trial(folder, parent)
        for number in range(first, last):
            begun[:8] = number.to_bytes(8, "little")
            signal.setitimer(signal.ITIMER_PROF, LONGEST)
            signal.alarm(LONGEST_WAIT)
            start = time.process_time()
            code, what = trial.tried(kind, wrong(kind, number))
            milliseconds = round(1000 * (time.process_time() - start))
            memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
            if not what and memory > LARGEST:
                what = f"reached {memory // 1024} MiB"
            figures["inputs"] += 1
            figures[f"exit {code}"] += 1
            figures["milliseconds"] = max(figures["milliseconds"], milliseconds)
            figures["MiB"] = max(figures["MiB"], memory // 1024)
            if what:
                tell("trouble", number, what)
            if memory > LARGEST:
                break
        signal.alarm(0)
        signal.setitimer(signal.ITIMER_PROF, 0)
        os.chdir("/")
    tell("figures", figures)


def _memory() -> str | None:
    """A folder in memory, where there is one."""
    return "/dev/shm" if os.access("/dev/shm", os.W_OK) else None


def batch(kind: str, first: int, last: int, figures: Counter[str]) -> Iterator[Trouble]:
    """Tries a batch in a forked process; one that dies costs its own input only."""
    begun = mmap.mmap(-1, 8)
    while first < last:
        reading, writing = os.pipe()
        process = os.fork()
        if not process:
            os.close(reading)
            try:
                worker(kind, first, last, begun, writing)
            finally:
                os._exit(0)
        os.close(writing)
        ended = False
        with os.fdopen(reading, encoding="utf-8") as lines:
            for line in lines:
                match json.loads(line):
                    case ["trouble", number, what]:
                        yield Trouble(kind, number, what)
                    case ["figures", found]:
                        ended = True
                        _add(figures, found)
        _, status = os.waitpid(process, 0)
        done = int.from_bytes(begun[:8], "little")
        if not ended:
            figures["inputs"] += done - first + 1
            yield Trouble(kind, done, f"ended by signal {os.WTERMSIG(status)}" if os.WIFSIGNALED(status) else "died")
        first = done + 1


def _add(figures: Counter[str], found: dict[str, int]) -> None:
    for name, number in found.items():
        largest = name in ("milliseconds", "MiB")
        figures[name] = max(figures[name], number) if largest else figures[name] + number


def attack(kinds: list[str], rounds: range, end: float, parent: int, kept: Path | None) -> dict[str, Counter[str]]:
    """Tries the rounds until `end` on the monotonic clock, or until `parent` is gone, and prints each trouble; the
    figures by kind."""
    every: dict[str, Counter[str]] = {kind: Counter() for kind in kinds}
    for number in rounds:
        for kind in kinds:
            if time.monotonic() > end or os.getppid() != parent:
                return every
            if number % RARE.get(kind, 1):
                continue
            turn, figures = TURNS[kind], Counter[str]()
            for trouble in batch(kind, number * turn, (number + 1) * turn, figures):
                figures["troubles"] += 1
                print(f"  {trouble.kind} {trouble.number}: {trouble.what}", flush=True)
            _add(every[kind], figures)
            if kept is not None:
                with kept.open("a") as file:
                    file.write(json.dumps({"round": number, "kind": kind, **figures}) + "\n")
    return every


def told(figures: dict[str, Counter[str]]) -> None:
    """Prints the figures."""
    for kind, count in figures.items():
        codes = ", ".join(f"{count[name]} {name}" for name in sorted(count) if name.startswith("exit"))
        print(
            f"{kind:22} {count['inputs']:8} inputs, {count['troubles']} did not hold; longest "
            f"{count['milliseconds'] / 1000:.2f} s, most {count['MiB']} MiB; {codes}",
            flush=True,
        )
    both = [sum(count[name] for count in figures.values()) for name in ("inputs", "troubles")]
    print(f"{'all':22} {both[0]:8} inputs, {both[1]} did not hold")


def summed(kept: Path) -> dict[str, Counter[str]]:
    """The figures that were kept, by kind; of a turn that was tried again, the last ones."""
    turns = {}
    for line in kept.read_text().splitlines():
        found = json.loads(line)
        turns[found.pop("round"), found.pop("kind")] = found
    every: dict[str, Counter[str]] = {kind: Counter() for kind in KINDS}
    for (_, kind), found in turns.items():
        _add(every.setdefault(kind, Counter()), found)
    return every


def ready(kind: str) -> None:
    """Reads the right inputs of a kind once, so that forked processes have everything loaded; ends where one does not
    hold itself."""
    for content in seeds(kind):
        if kind in PIECES:
            with tempfile.TemporaryDirectory() as folder:
                PIECES[kind].read(content, Path(folder))


def run(given: argparse.Namespace) -> int:
    """Attacks as asked; the exit code."""
    kinds = given.kinds.split(",")
    each = sum(TURNS[kind] for kind in kinds)
    rounds = range(given.first, given.first + -(-given.inputs // each))
    for kind in kinds:
        ready(kind)
    gc.collect()
    gc.freeze()
    end = time.monotonic() + 60.0 * given.minutes
    workers, parent = [], os.getpid()
    for place in range(given.workers):
        child = os.fork()
        if not child:
            figures = attack(kinds, rounds[place :: given.workers], end, parent, given.kept)
            told(figures)
            os._exit(any(count["troubles"] for count in figures.values()))
        workers.append(child)
    return int(any(os.waitpid(child, 0)[1] for child in workers))


if __name__ == "__main__":
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--inputs", type=int, default=30_000, help="over all kinds")
    options.add_argument("--first", type=int, default=0, help="number of the first round")
    options.add_argument("--workers", type=int, default=1)
    options.add_argument("--minutes", type=float, default=float("inf"), help="end after this time")
    options.add_argument("--kinds", default=",".join(KINDS))
    options.add_argument("--kept", type=Path, help="file for the figures of every turn")
    options.add_argument("--sum", type=Path, help="print the figures kept in this file, and end")
    chosen = options.parse_args()
    if chosen.sum:
        told(summed(chosen.sum))
    else:
        sys.exit(run(chosen))
