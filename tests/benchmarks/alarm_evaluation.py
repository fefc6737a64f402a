"""How soon the signature alarms come, and how often they come for nothing, over simulated drives.

    nice python tests/benchmarks/alarm_evaluation.py [--drives N] [--first SEED] [--workers 2]

Half of the drives are matching cars, a quarter have a mismatch that makes the engine lean under load, a quarter are
drawn from all kinds; cars, routes, altitudes, fuels and cold starts are drawn as in the blind evaluation. Each is
driven once and watched at every rate in `RATES`, through the real pipeline, with a profile as its owner would write
it: nothing tuned. Seeds 0 to 999 are for this evaluation; the alarms were tuned on seeds from 1000 on.

What an alarm is due for comes from the truth of the drive (`facts_of`): a run of time at which the fact is so, beyond
the set point by the tolerance of a good sensor, and how long it has to last. It is alarmed when the alarm is raised
before it is over or within 1.5 s of its start, or stands already. A critical alarm is false where the truth does not
bear it out, the same tolerance on the other side, in the 2 s before. Mixtures that a drifted lambda sensor shows as
right are not counted: what only that sensor sees cannot be known.
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
from numpy.typing import NDArray
from rich.console import Console
from rich.table import Table
from scipy.ndimage import maximum_filter1d, minimum_filter1d  # type: ignore[import-untyped]

sys.path.insert(0, str(Path(__file__).parent))
from blind_scenarios import Watching, batches_of, peak_efficiency, profile_of, scenario_of

from livewatch.events import EventKind
from livewatch.pipeline import Pipeline
from livewatch.profile import Profile
from livewatch.simulator import CARS, STEP, Drive, Mismatch, Scenario, simulate

RATES: Mapping[str, tuple[float, bool]] = {
    "100 Hz broadcast": (100.0, False),
    "20 Hz broadcast": (20.0, False),
    "10 Hz polled": (10.0, True),
    "5 Hz polled": (5.0, True),
    "2 Hz polled": (2.0, True),
}
LEAN = 1.06
"""Lambda over command from which a mixture counts as lean: the set point of the alarm."""
SENSOR_TOLERANCE = 0.01
"""What a good lambda sensor may be off (common practice)."""
DUE_WITHIN = 1.0
"""s."""
LOOKED_BACK = 2.0
"""s before a critical alarm in which its fact must have been so."""
_LEAN_SIZES: Mapping[str, tuple[float, float]] = {
    "air_meter_bore": (1.03, 1.14),
    "air_meter_shape": (-35.0, -10.0),
    "injector_flow": (-30.0, -8.0),
    "injector_dead_time": (0.15, 0.6),
    "fuel_supply": (30.0, 65.0),
    "weak_injector": (25.0, 70.0),
}
"""Sizes drawn of what makes an engine lean under load, in the kind's own unit; the bore as a ratio to the car's own."""

Column = NDArray[np.float64]
Where = NDArray[np.bool_]
Span = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Fact:
    """What an alarm is about: `surely` so (bool (n,), tolerances counted against the alarm) for `lasting` s and more an
    alarm is due; not even `possibly` so, it is false."""

    surely: Where
    possibly: Where
    lasting: float


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


def under_load(drive: Drive) -> Where:
    """Where the engine is warm, fuelled and near the outside pressure or above it."""
    truth = drive.truth
    loaded: Where = truth["manifold_pressure"] > 0.9 * drive.facts["barometer_kPa"] * 1e3
    loaded &= (truth["speed"] > 1200.0) & (truth["fuel_cut"] == 0.0) & (truth["coolant"] > 333.15)
    return loaded


def leanness(drive: Drive, bank: int) -> Column:
    """True lambda in the cylinders over commanded lambda; NaN where nothing is injected or nothing would burn."""
    richness = drive.truth[f"richness_{bank}"]
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = 1.0 / richness / drive.truth["commanded_lambda"]
        return np.where((richness > 1.0 / 1.5) & (drive.truth["fuel_cut"] == 0.0), ratio, np.nan)


def facts_of(drive: Drive) -> dict[str, Fact]:
    """The facts of a drive, by the alarm they are due to."""
    truth, channels = drive.truth, drive.channels
    loaded = under_load(drive)
    facts: dict[str, Fact] = {}
    for bank in (1, 2) if "short_term_fuel_trim_2" in channels else (1,):
        behind = "" if bank == 1 else "_bank_2"
        ratio = leanness(drive, bank)
        low, high = 1.0 - SENSOR_TOLERANCE, 1.0 + SENSOR_TOLERANCE
        with np.errstate(invalid="ignore"):
            lean = Fact(loaded & (ratio > LEAN * high), ratio > LEAN * low, 0.5)
            rich = Fact(loaded & (ratio < 0.90 * low), ratio < 0.90 * high, 1.0)
        if "lambda_drift" in {wrong["kind"] for wrong in drive.facts["mismatches"]}:
            pass
        elif f"lambda_{bank}" in channels:
            facts[f"lean_under_load{behind}"], facts[f"rich_under_load{behind}"] = lean, rich
        else:
            # Such a sensor tells lean from rich and no more: due is what is lean where rich is commanded.
            never_rich = Fact(
                lean.surely & (truth[f"richness_{bank}"] < 0.99) & (truth["commanded_lambda"] < 0.95),
                lean.possibly,
                0.5,
            )
            facts[f"lean_under_load_narrow_band{behind}"] = never_rich
        closed = (truth["status"] == 2.0) & (truth["coolant"] > 333.65)
        targets = getattr(drive.scenario.car, "targets")  # noqa: B009 - `car` may be a name before it is resolved
        for kind, limit in (("short", targets.short_trim_limit), ("long", targets.long_trim_limit)):
            trim = channels[f"{kind}_term_fuel_trim_{bank}"]
            at = Fact(closed & (trim > limit - 0.3), closed & (trim > limit - 1.5), 0.8)
            facts[f"{kind}_trim_at_upper_limit{behind}"] = at
    knock = channels["knock_retard"]
    limit = getattr(drive.scenario.car, "targets").largest_retard  # noqa: B009
    knocked = maximum_filter1d((truth["knock_margin"] < 2.0).astype(np.int8), 600) > 0
    facts["knock_retard_at_limit"] = Fact(loaded & (knock > limit - 0.3), (knock > limit - 0.9) & knocked, 0.3)
    rail = truth["rail"] / 1e3 / channels["commanded_fuel_rail_pressure"]
    facts["rail_pressure_falling"] = Fact(loaded & (rail < 0.89), rail < 0.91, 0.5)
    facts["injector_duty_at_limit"] = Fact(channels["injector_duty"] > 93.0, channels["injector_duty"] > 91.0, 0.4)
    if "boost_pressure" in channels:
        facts |= _boost_facts(drive, loaded)
    return facts


def _boost_facts(drive: Drive, loaded: Where) -> dict[str, Fact]:
    truth = drive.truth
    boost, wanted, pedal = truth["pipe_pressure"] / 1e3, truth["commanded_boost"] / 1e3, truth["pedal"]
    held = (pedal > 0.25) & (pedal > _last(maximum_filter1d, pedal, 1.0) - 0.05)
    over = boost - _last(maximum_filter1d, wanted, 1.5)
    under = _last(minimum_filter1d, wanted, 1.5) - boost
    ago = np.concatenate((np.full(70, np.inf), boost[:-70]))
    weak = held & (truth["speed"] > 3100.0) & ((boost - ago) / 0.7 < 5.0)
    cut = truth["overboost_cut"] > 0.0
    return {
        "overboost": Fact(loaded & held & (over > 26.5), over > 23.5, 0.25),
        "boost_overshoot": Fact(loaded & held & (over > 14.5), over > 11.5, 0.4),
        "underboost": Fact(weak & (under > 23.0), under > 18.0, 1.0),
        "overboost_fuel_cut": Fact(cut & held, cut, 0.1),
    }


def _last(extreme: object, column: Column, seconds: float) -> Column:
    """The highest or lowest of the last `seconds`."""
    ticks = round(seconds / STEP)
    assert callable(extreme)
    result: Column = extreme(column, ticks, origin=(ticks - 1) // 2)
    return result


def runs_of(condition: Where, shortest: float) -> list[Span]:
    """Start and end, s, of the runs of true that last `shortest` s and more."""
    padded = np.concatenate(([False], condition, [False]))
    changes = np.flatnonzero(padded[1:] != padded[:-1])
    spans = zip(changes[0::2], changes[1::2], strict=True)
    return [(a * STEP, b * STEP) for a, b in spans if (b - a) * STEP >= shortest - 1e-9]


def watch(drive: Drive, watching: Watching) -> tuple[Profile, dict[str, list[Span]]]:
    """The alarms of one drive watched in one way: from when, to when, s, each was active."""
    profile = profile_of(drive, watching)
    pipeline = Pipeline(profile)
    active: dict[str, list[Span]] = defaultdict(list)
    since: dict[str, float] = {}
    events = [event for batch in batches_of(drive, watching, profile) for event in pipeline.push(batch)]
    for event in (*events, *pipeline.finish()):
        if event.kind is not EventKind.ALARM:
            continue
        word, time = event.detail["transition"], event.time / 1e9
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
            last = slice(max(0, round((start - LOOKED_BACK) / STEP)), round(start / STEP) + 1)
            if alarm.priority == "critical" and (fact is None or not fact.possibly[last].any()):
                watched.false[alarm.name] = watched.false.get(alarm.name, 0) + 1
                watched.details.append(f"false {alarm.name} at {start:.2f} s: {where}")
        if fact is None:
            continue
        for start, end in runs_of(fact.surely, fact.lasting):
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
