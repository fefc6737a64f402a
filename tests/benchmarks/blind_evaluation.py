"""How often the verdict is right: drives it has never seen, judged without looking, and counted.

    .venv/bin/python tests/benchmarks/blind_evaluation.py                # every bar; hours on two cores
    .venv/bin/python tests/benchmarks/blind_evaluation.py --quick        # a tenth of it
    ... --cache drives/ --only double,matching --first 1000 --drives 24  # tuning seeds, simulated once and kept

Every drive is drawn (`blind_scenarios`), simulated or fetched from the `--cache` folder, watched (`blind_watching`: 100
Hz broadcast down to polling once a second, as frames or samples, with channels missing), pushed through the pipeline of
a live run and judged. Results are kept in a file, one line a drive, so that an interrupted run goes on where it
stopped; delete the file (or name another with --results) to judge anew. Seeds 0 to 999 belong to this script, and so do
those from 40000 on, for when some of the first have been looked at: nothing was tuned on them. `blind_report` prints
the bars; `alarm_evaluation.py` beside this file measures the delay of every alarm.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Sequence
from multiprocessing import Pool
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
from blind_cache import is_kept, keep
from blind_judging import Result, judge
from blind_report import report
from blind_scenarios import FAULTS, drawn_of

COUNTS = {"single": 400, "double": 300, "triple": 100, "matching": 300, "ordinary": 100} | dict.fromkeys(FAULTS, 4)
"""Drives of each kind that the bars ask for."""
LATER = {"matching": 500}
"""So much later the seeds of a kind begin: a matching car has the seed of a single mismatch otherwise."""

Task = tuple[str, int]


def _judged(job: tuple[Task, Path | None, bool]) -> Result:
    (kind, seed), folder, baseline = job
    return judge(kind, seed, folder, baseline)


def _driven(job: tuple[Task, Path]) -> str:
    (kind, seed), folder = job
    keep(drawn_of(kind, seed), folder)
    return f"{kind} {seed}"


def read(results: Path) -> dict[Task, Result]:
    """What a results file has, by task."""
    lines = results.read_text(encoding="utf-8").splitlines() if results.exists() else []
    return {(result["task"], result["seed"]): result for result in map(json.loads, lines)}


def run(tasks: Sequence[Task], results: Path, processes: int, folder: Path | None, baseline: bool) -> list[Result]:
    """Judge every task that the results file does not have yet."""
    done = read(results)
    todo = [(task, folder, baseline) for task in tasks if task not in done]
    with results.open("a", encoding="utf-8") as file, Pool(processes, maxtasksperchild=20) as pool:
        for number, result in enumerate(pool.imap_unordered(_judged, todo), 1):
            done[result["task"], result["seed"]] = result
            file.write(json.dumps(result) + "\n")
            file.flush()
            print(f"\r{number} of {len(todo)} drives", end="", file=sys.stderr, flush=True)
    print(file=sys.stderr)
    return [done[task] for task in tasks]


def fill(tasks: Sequence[Task], folder: Path, processes: int) -> None:
    """Simulate and keep every drive that the folder does not have yet."""
    todo = [(task, folder) for task in tasks if not is_kept(drawn_of(*task), folder)]
    with Pool(processes, maxtasksperchild=20) as pool:
        for number, said in enumerate(pool.imap_unordered(_driven, todo), 1):
            print(f"{number} of {len(todo)}: {said}", file=sys.stderr, flush=True)


def tasks_of(kinds: Sequence[str], first: int, share: float, drives: int | None) -> list[Task]:
    """The tasks, every kind spread over the run, so that what there is so far is a fair sample."""
    placed = []
    for kind in kinds:
        count = max(1, round(COUNTS[kind] * share)) if drives is None else drives
        begins = first + LATER.get(kind, 0)
        placed += [((k + 0.5) / count, (kind, begins + k)) for k in range(count)]
    return [task for _, task in sorted(placed)]


def main(arguments: Sequence[str] | None = None) -> None:
    """Run it."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--only", help=f"kinds of drives, by comma: {', '.join(COUNTS)} (all)")
    parser.add_argument("--drives", type=int, help="drives of each kind (as the bars ask: 400, 300, 100, 300, 100)")
    parser.add_argument("--quick", action="store_true", help="a tenth of the drives")
    parser.add_argument("--first", type=int, default=0, help="first seed (0); 1000 to 39999 are for tuning")
    parser.add_argument("--cache", type=Path, help="folder in which simulated drives are kept")
    parser.add_argument("--kept-only", action="store_true", help="judge only drives that the cache has")
    parser.add_argument("--fill", action="store_true", help="simulate into the cache and judge nothing")
    parser.add_argument("--baseline", action="store_true", help="judge ratios once more against a baseline")
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--results", type=Path, default=Path("blind_evaluation.jsonl"))
    parser.add_argument("--so-far", action="store_true", help="report on what the results file has, drive nothing")
    parser.add_argument("--verbose", action="store_true", help="a line for every drive, not only the wrong ones")
    given = parser.parse_args(arguments)
    kinds = given.only.split(",") if given.only else list(COUNTS)
    for kind in kinds:
        if kind not in COUNTS:
            parser.error(f"unknown kind {kind!r}; there are {', '.join(COUNTS)}")
    if (given.fill or given.kept_only) and given.cache is None:
        parser.error("--fill and --kept-only need --cache")
    tasks = tasks_of(kinds, given.first, 0.1 if given.quick else 1.0, given.drives)
    if given.fill:
        fill(tasks, given.cache, given.processes)
        return
    if given.kept_only:
        tasks = [task for task in tasks if is_kept(drawn_of(*task), given.cache)]
    if given.so_far:
        known = read(given.results)
        report([known[task] for task in known], given.verbose)
        return
    report(run(tasks, given.results, given.processes, given.cache, given.baseline), given.verbose)


if __name__ == "__main__":
    main()
