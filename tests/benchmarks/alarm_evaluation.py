"""How soon the signature alarms come, and how often they come for nothing, over simulated drives.

    nice python tests/benchmarks/alarm_evaluation.py [--drives N] [--first SEED] [--workers 2]

Half of the drives are matching cars, a quarter have a mismatch that makes the engine lean under load, a quarter are
drawn from all kinds; cars, routes, altitudes, fuels and cold starts are drawn as in the blind evaluation. Each is
driven once and watched at every rate in `RATES`, through the real pipeline, with a profile as its owner would write
it: nothing tuned. Seeds 0 to 999 are for this evaluation; the alarms were tuned on seeds from 1000 on.

What an alarm is due for comes from the truth of the drive (`facts_of`): a run of time at which the fact is so, beyond
the set point by the tolerance of a good sensor, and how long it has to last. It is alarmed when the alarm is raised
before it is over or within 1.5 s of its start, or stands already. Which critical alarm is false is said in
`alarm_truth`.
"""

from __future__ import annotations

import argparse
import sys
from collections import defaultdict
from collections.abc import Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from rich.console import Console
from rich.table import Table

sys.path.insert(0, str(Path(__file__).parent))
from alarm_truth import Span, facts_of, is_borne_out, runs_of
from blind_scenarios import scenario_of
from blind_watching import Watching, batches_of, peak_efficiency, profile_of

from livewatch.data.events import AlarmChanged
from livewatch.profile import Profile
from livewatch.run.pipeline import Pipeline
from livewatch.simulator import CARS, STEP, Drive, Mismatch, Scenario, simulate

RATES: Mapping[str, tuple[float, bool]] = {
    "100 Hz broadcast": (100.0, False),
    "20 Hz broadcast": (20.0, False),
    "10 Hz polled": (10.0, True),
    "5 Hz polled": (5.0, True),
    "2 Hz polled": (2.0, True),
}
DUE_WITHIN = 1.0
"""s."""
_LEAN_SIZES: Mapping[str, tuple[float, float]] = {
    "air_meter_bore": (1.03, 1.14),
    "air_meter_shape": (-35.0, -10.0),
    "injector_flow": (-30.0, -8.0),
    "injector_dead_time": (0.15, 0.6),
    "fuel_supply": (30.0, 65.0),
    "weak_injector": (25.0, 70.0),
}
"""Sizes drawn of what makes an engine lean under load, in the kind's own unit; the bore as a ratio to the car's own."""


@dataclass(slots=True)
class Watched:
    """What one drive watched at one rate showed.

    Attributes:
        hours: driven.
        raised: how often, by alarm.
        false: how often without the truth behind it, by critical alarm.
        delays: s from the start of each due fact to its alarm, by alarm; infinite where none came.
        details: what is not as it should be, one line each.
    """

    hours: float
    raised: dict[str, int] = field(default_factory=dict)
    false: dict[str, int] = field(default_factory=dict)
    delays: dict[str, list[float]] = field(default_factory=dict)
    details: list[str] = field(default_factory=list)


def lean_scenario(seed: int) -> Scenario:
    """A car made lean under load: kind, size and onset drawn by `seed`, the rest as in the blind evaluation."""
    rng = np.random.default_rng([seed, 8])
    scenario = scenario_of(seed, matching=True)
    car = scenario.car if not isinstance(scenario.car, str) else CARS[scenario.car]
    meter = car.build.air_meter
    kinds = [kind for kind in _LEAN_SIZES if meter is not None or not kind.startswith("air_meter")]
    kind = kinds[int(rng.integers(len(kinds)))]
    size = float(rng.uniform(*_LEAN_SIZES[kind]))
    if kind == "air_meter_bore" and meter is not None:
        size *= meter.bore_mm
    onset = float(rng.choice([0.0, 0.0, 200.0]))
    return replace(scenario, mismatches=(Mismatch(kind, round(size, 3), onset),))


def watch(drive: Drive, watching: Watching) -> tuple[Profile, dict[str, list[Span]]]:
    """The alarms of one drive watched in one way: from when, to when, s, each was active."""
    profile = profile_of(drive, watching)
    pipeline = Pipeline(profile)
    active: dict[str, list[Span]] = defaultdict(list)
    since: dict[str, float] = {}
    events = [event for batch in batches_of(drive, watching, profile) for event in pipeline.push(batch)]
    for event in (*events, *pipeline.finish()):
        if not isinstance(event, AlarmChanged):
            continue
        word, time = event.transition, event.time / 1e9
        if word == "raised":
            since[event.subject] = time
        elif word in ("latched", "returned to normal"):
            active[event.subject].append((since.pop(event.subject), time))
    for name, time in since.items():
        active[name].append((time, np.inf))
    return profile, active


def evaluate(drive: Drive, rate: str) -> Watched:
    """One drive at one rate."""
    every, polled = RATES[rate]
    middle = peak_efficiency(drive)
    profile, active = watch(drive, Watching(every, polled, (0.94 * middle, 1.06 * middle)))
    facts = facts_of(drive)
    watched = Watched(len(drive.time) * STEP / 3600.0)
    wrong = ", ".join(f"{m.name}={m.size:g}@{m.onset:g}" for m in drive.scenario.mismatches) or "matching"
    where = f"seed {drive.scenario.seed} {drive.facts['car']} {drive.facts['route']} {wrong}, {rate}"
    for alarm in profile.alarms:
        fact = facts.get(alarm.name)
        spans = active.get(alarm.name, [])
        if spans:
            watched.raised[alarm.name] = len(spans)
        for start, _ in spans:
            if alarm.priority == "critical" and not is_borne_out(fact, start):
                watched.false[alarm.name] = watched.false.get(alarm.name, 0) + 1
                watched.details.append(f"false {alarm.name} at {start:.2f} s: {where}")
        if fact is None:
            continue
        for start, end in runs_of(fact.surely, fact.lasting):
            if start + DUE_WITHIN > watched.hours * 3600.0:
                continue  # The drive was over before the alarm was late.
            due = (max(0.0, on - start) for on, off in spans if off > start and on <= max(end, start + 1.5))
            delay = min(due, default=np.inf)
            watched.delays.setdefault(alarm.name, []).append(delay)
            if delay > DUE_WITHIN:
                watched.details.append(f"{alarm.name} late by {delay:.2f} s: {start:.2f} to {end:.2f} s, {where}")
    return watched


def drive_and_watch(job: tuple[str, int]) -> tuple[str, dict[str, Watched]]:
    """Simulate one seed of a kind ("matching", "lean" or "any") and watch it at every rate."""
    kind, seed = job
    drive = simulate(lean_scenario(seed) if kind == "lean" else scenario_of(seed, matching=kind == "matching"))
    return kind, {rate: evaluate(drive, rate) for rate in RATES}


Results = Mapping[str, Sequence[Mapping[str, Watched]]]


def report(results: Results, console: Console, details: str = "") -> None:
    """Print the tables, and the lines of `details` at a rate."""
    everything = [one for drives in results.values() for one in drives]
    due = Table(title=f"Facts an alarm was due for, and how many of them were alarmed within {DUE_WITHIN:g} s (at all)")
    due.add_column("alarm")
    for rate in RATES:
        due.add_column(rate, justify="right")
    for name in sorted({name for one in everything for watched in one.values() for name in watched.delays}):
        row = []
        for rate in RATES:
            delays = np.array([delay for one in everything for delay in one[rate].delays.get(name, [])])
            soon, come = np.count_nonzero(delays <= DUE_WITHIN), np.count_nonzero(np.isfinite(delays))
            row.append(f"{soon} of {len(delays)} ({come})" if len(delays) else "-")
        due.add_row(name, *row)
    console.print(due)
    spells = Table(title="Lean-under-load spells, wide-band sensors, both banks: delay of the alarm, s")
    for heading in ("watched at", "spells", f"within {DUE_WITHIN:g} s", "at all", "median", "90 %", "99 %", "longest"):
        spells.add_column(heading, justify="left" if heading == "watched at" else "right")
    for rate in RATES:
        names = ("lean_under_load", "lean_under_load_bank_2")
        took = np.array([delay for one in everything for name in names for delay in one[rate].delays.get(name, [])])
        if not len(took):
            continue
        ended = np.sort(took[np.isfinite(took)])
        figures = [f"{np.quantile(ended, share):.2f}" for share in (0.5, 0.9, 0.99, 1.0)] if len(ended) else ["-"] * 4
        within = np.count_nonzero(took <= DUE_WITHIN) / len(took)
        spells.add_row(rate, str(len(took)), f"{within:.2%}", f"{len(ended) / len(took):.2%}", *figures)
    console.print(spells)
    _report_matching(results["matching"], console)
    others = [*results["lean"], *results["any"]]
    found = Table(title="Drives with a mismatch: alarms raised in all (critical ones without the truth behind them)")
    found.add_column("alarm")
    for rate in RATES:
        found.add_column(rate, justify="right")
    for name in sorted({name for one in others for watched in one.values() for name in watched.raised}):
        found.add_row(name, *(_count(others, rate, name) for rate in RATES))
    console.print(found)
    for one in everything:
        for rate, watched in one.items():
            if details in ("all", rate):
                for line in watched.details:
                    console.print(line, highlight=False)


def _report_matching(drives: Sequence[Mapping[str, Watched]], console: Console) -> None:
    hours = {rate: sum(one[rate].hours for one in drives) for rate in RATES}
    alarms = Table(title="Matching drives: alarms raised in all (critical ones without the truth behind them)")
    alarms.add_column("alarm")
    for rate in RATES:
        alarms.add_column(f"{rate}, {hours[rate]:.1f} h", justify="right")
    for name in sorted({name for one in drives for watched in one.values() for name in watched.raised}):
        alarms.add_row(name, *(_count(drives, rate, name) for rate in RATES))
    critical = []
    for rate in RATES:
        false = sum(sum(one[rate].false.values()) for one in drives)
        critical.append(f"{false} = {false / hours[rate] * 20.0:.2f} in 20 h" if hours[rate] else "-")
    alarms.add_section()
    alarms.add_row("false critical alarms", *critical)
    console.print(alarms)


def _count(drives: Sequence[Mapping[str, Watched]], rate: str, name: str) -> str:
    raised = sum(one[rate].raised.get(name, 0) for one in drives)
    false = sum(one[rate].false.get(name, 0) for one in drives)
    return f"{raised} ({false})" if false else str(raised)


def main() -> None:
    """Run the evaluation."""
    parser = argparse.ArgumentParser(
        description="Delay and false alarms of the signature alarms, over simulated drives."
    )
    parser.add_argument("--drives", type=int, default=240, help="how many, half of them matching (default: 240)")
    parser.add_argument("--first", type=int, default=0, help="the first seed (default: 0)")
    parser.add_argument("--workers", type=int, default=2, help="processes (default: 2)")
    parser.add_argument("--details", default="", help="a rate, or all: list every late and every false alarm")
    given = parser.parse_args()
    jobs = [("matching", given.first + number) for number in range(given.drives // 2)]
    jobs += [(kind, given.first + number) for number in range(given.drives // 4) for kind in ("lean", "any")]
    results: dict[str, list[dict[str, Watched]]] = {"matching": [], "lean": [], "any": []}
    with ProcessPoolExecutor(given.workers) as pool:
        for kind, one in pool.map(drive_and_watch, jobs):
            results[kind].append(one)
    report(results, Console(width=150), given.details)


if __name__ == "__main__":
    main()
