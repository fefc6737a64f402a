"""Diagnoses twenty tiny recordings of a format in one call, over and over: each file has to be there in each answer.

    python tests/attacks/small_files.py --runs 2000 [--minutes 60]

A recording that is read in one piece ends before anybody has asked how far it is: whatever is torn between the thread
that reads and the one that asks shows here. The formats take turns; each run is a process forked with everything
loaded, and holds when its exit code is 0 and its twenty verdicts are there.
"""

from __future__ import annotations

import argparse
import io
import json
import os
import sys
import tempfile
import time
from collections import Counter
from contextlib import redirect_stdout
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from livewatch.commands.cli import main
from tests.attacks.pieces import SUFFIXES
from tests.attacks.seeds import FILES as SEEDS
from tests.attacks.trial import CAR

FILES = 20
FORMATS = {kind: suffix for kind, suffix in SUFFIXES.items() if kind != "mf4"}  # read in a process of its own


def laid_out(folder: Path, kind: str) -> list[str]:
    """The command line over twenty right files of `kind`, written into `folder`."""
    (folder / "car.yaml").write_bytes(CAR)
    content = SEEDS[kind]()
    names = [f"drive_{number:02}{FORMATS[kind]}" for number in range(FILES)]
    for name in names:
        (folder / name).write_bytes(content)
    return ["diagnose", "-p", "car.yaml", "--json", *names]


def answered(arguments: list[str]) -> bool:
    """Whether a process forked for the call answers for each file."""
    child = os.fork()
    if not child:
        printed = io.StringIO()
        held = False
        try:
            with redirect_stdout(printed):
                code = main(arguments)
            verdicts = [json.loads(line) for line in printed.getvalue().splitlines() if line.startswith("{")]
            held = code == 0 and len(verdicts) == FILES and all("verdict" in verdict for verdict in verdicts)
        finally:
            os._exit(0 if held else 1)
    return os.waitpid(child, 0)[1] == 0


def tried(runs: int, minutes: float) -> int:
    """Runs the formats in turn and prints the figures; the number of runs that did not hold."""
    end = time.monotonic() + 60.0 * minutes
    done: Counter[str] = Counter()
    failed: Counter[str] = Counter()
    with tempfile.TemporaryDirectory() as name:
        calls = {}
        for kind in FORMATS:
            folder = Path(name) / kind.replace(" ", "_")
            folder.mkdir()
            calls[kind] = (folder, laid_out(folder, kind))
        while done.total() < runs and time.monotonic() < end:
            for kind, (folder, arguments) in calls.items():
                os.chdir(folder)
                failed[kind] += not answered(arguments)
                done[kind] += 1
        os.chdir("/")
    for kind in FORMATS:
        print(f"{kind:16} {done[kind]:6} runs over {FILES} files, {failed[kind]} did not hold", flush=True)
    return failed.total()


if __name__ == "__main__":
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--runs", type=int, default=2000)
    options.add_argument("--minutes", type=float, default=float("inf"))
    given = options.parse_args()
    sys.exit(bool(tried(given.runs, given.minutes)))
