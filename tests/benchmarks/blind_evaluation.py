"""How often the signature is right: drives it has never seen, judged without looking, and counted.

    .venv/bin/python tests/benchmarks/blind_evaluation.py            # 300 drives and 100 matching ones, two processes
    .venv/bin/python tests/benchmarks/blind_evaluation.py --drives 20 --matching 6                    # a quick look

Every drive is simulated, watched as `blind_scenarios` draws it (100 Hz broadcast down to polling twice a second),
pushed through the same pipeline as a live run and judged. Results are kept in a file, one line a drive, so that an
interrupted run goes on where it stopped; delete the file (or name another with --results) to begin anew. Seeds 0 to
999 belong to this script, and so do those from 40000 on, for when some of the first have been looked at: nothing was
tuned on them. Printed: the confusion table, the error of each estimate and how often its 95 % interval holds the truth
(of meters and injectors also against a baseline), ties, false verdicts on matching cars, false critical alarms on them,
and each bar with what was reached. `alarm_evaluation.py` beside this file measures the delay of every alarm.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from multiprocessing import Pool
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))
from alarm_truth import facts_of, is_borne_out
from blind_scenarios import FAMILY, Watching, batches_of, effect_of, profile_of, scenario_of, watching_of

from livewatch.data.events import AlarmChanged
from livewatch.run.pipeline import Pipeline
from livewatch.signature import Signature
from livewatch.simulator import Drive, simulate

FAMILIES = ("metering", "injection", "air leak", "boost", "fuel supply", "none")
RATIO_KINDS, RATIOS = ("air_meter_bore", "injector_flow"), ("true over metered air", "flow fitted")
"""Mismatches that are a ratio, and the words of `truth_of` for it."""
NEED_BAR, BOOST_BAR = 0.08, 0.10
FIRST_MATCHING = 500
"""So much later the seeds of the matching drives begin."""

Result = dict[str, Any]
NO_CAUSE: Result = {
    "family": "none", "cause": "none weighed", "weight_of_evidence": 0.0, "probability": 0.0, "tie_with": [],
    "estimates": [],
}  # fmt: skip


def judge(seed: int, matching: bool) -> Result:
    """Simulate, watch and judge one drive."""
    started = time.perf_counter()
    drive = simulate(scenario_of(seed, matching))
    simulated = time.perf_counter()
    watching = watching_of(seed, drive)
    profile = profile_of(drive, watching)
    signature = Signature(profile)
    pipeline = Pipeline(profile, [signature])
    events = [event for batch in batches_of(drive, watching, profile) for event in pipeline.push(batch)]
    events += pipeline.finish()
    said = signature.finding().to_json()
    # Data time begins with the drive, as in `alarm_evaluation`.
    raised = [
        (event.subject, event.time / 1e9)
        for event in events
        if isinstance(event, AlarmChanged) and event.raised and event.priority == "critical"
    ]
    facts = facts_of(drive)
    wrong = drive.facts["mismatches"]
    need, boost = effect_of(drive)
    first = said["causes"][0] if said["causes"] else NO_CAUSE
    return {
        "seed": seed,
        "matching": matching,
        "car": drive.facts["car"],
        "route": drive.facts["route"],
        "rate": watching.rate,
        "kind": wrong[0]["kind"] if wrong else "matching",
        "size": wrong[0]["size"] if wrong else 0.0,
        "altitude_m": drive.facts["altitude_m"],
        "ethanol_percent": drive.facts["ethanol_percent"],
        "need": need,
        "boost": boost,
        "verdict": said["verdict"],
        "family": first["family"],
        "cause": first["cause"],
        "weight": first["weight_of_evidence"],
        "probability": first["probability"],
        "tie": [cause["family"] for cause in said["causes"] if cause["cause"] in first["tie_with"]],
        "estimates": first["estimates"],
        "truth": truth_of(drive),
        "compared": compared(drive, watching, seed) if wrong and wrong[0]["kind"] in RATIO_KINDS else None,
        "critical": [name for name, _ in raised],
        "false_critical": [name for name, at in raised if not is_borne_out(facts.get(name), at)],
        "seconds": float(drive.time[-1]),
        "cost": [simulated - started, time.perf_counter() - simulated],
    }


def compared(drive: Drive, watching: Watching, seed: int) -> Result:
    """The same drive judged against a baseline: the same car with matching parts, on another day with other weather,
    another fuel and another route."""
    day = replace(
        drive.scenario, mismatches=(), route="mixed", weather_kpa=0.5, ambient_degC=15.0, ethanol_percent=7.0,
        cold_start=False,
    )  # fmt: skip
    before = simulate(day)
    assert before.facts["tolerances"] == drive.facts["tolerances"]
    baseline = None
    for driven in (before, drive):
        profile = profile_of(driven, watching)
        signature = Signature(profile, baseline=baseline)
        pipeline = Pipeline(profile, [signature])
        for batch in batches_of(driven, watching, profile):
            pipeline.push(batch)
        pipeline.finish()
        baseline = baseline or signature.as_baseline()
    first = (signature.finding().to_json()["causes"] or [NO_CAUSE])[0]
    # The tolerances of the parts that match are in the baseline: what is left is the change alone.
    kind = drive.facts["mismatches"][0]["kind"]
    own = drive.facts["tolerances"]["meter" if kind == "air_meter_bore" else "injectors"]
    truth = {words: size * own if kind == "air_meter_bore" else size / own for words, size in truth_of(drive).items()}
    return {"family": first["family"], "estimates": first["estimates"], "truth": truth}


def truth_of(drive: Drive) -> dict[str, float]:
    """What the estimates should say, by their words (a prefix of them is enough)."""
    if not drive.facts["mismatches"]:
        return {}
    kind, size = drive.facts["mismatches"][0]["kind"], drive.facts["mismatches"][0]["size"]
    build, tolerances = drive.scenario.calibrated_for, drive.facts["tolerances"]
    assert build is not None
    each = build.engine.cylinders // build.engine.banks
    if kind == "air_meter_bore":
        assert build.air_meter is not None
        return {"true over metered air": (size / build.air_meter.bore_mm) ** 2 / tolerances["meter"]}
    if kind == "air_meter_shape":
        flow = drive.truth["metered"]
        top = flow > 0.93 * np.quantile(flow, 0.999)
        return {"at ": 100.0 * (float(np.median(drive.truth["sensed_air"][top] / flow[top])) - 1.0)}
    if kind == "weak_injector":
        share = 1.0 - 0.01 * size / each
        if build.engine.banks == 2:
            return {"need of bank": 100.0 * (1.0 / share - 1.0)}
        return {"flow fitted": share * tolerances["injectors"]}
    if kind == "fuel_supply":
        # The pump's own flow is given at 13.5 V; a running car has 13.9.
        return {"fuel flow at": build.fuel_supply.flow_g_s * (1.0 - 0.01 * size) * (0.25 + 0.75 * 13.9 / 13.5)}
    words: dict[str, tuple[str, float]] = {
        "injector_flow": ("flow fitted", (1.0 + 0.01 * size) * tolerances["injectors"]),
        "injector_dead_time": ("dead time", size),
        "vacuum_leak": ("diameter", size),
        "pressure_leak": ("diameter", size),
        "lambda_drift": ("reads away", size),
    }
    return dict([words[kind]]) if kind in words else {}


def _one(task: tuple[int, bool]) -> Result:
    return judge(*task)


def read(results: Path) -> dict[tuple[int, bool], Result]:
    """What a results file has, by task."""
    lines = results.read_text(encoding="utf-8").splitlines() if results.exists() else []
    return {(result["seed"], result["matching"]): result for result in map(json.loads, lines)}


def run(tasks: Sequence[tuple[int, bool]], results: Path, processes: int) -> list[Result]:
    """Judge every task that the results file does not have yet."""
    done = read(results)
    todo = [task for task in tasks if task not in done]
    with results.open("a", encoding="utf-8") as file, Pool(processes) as pool:
        for number, result in enumerate(pool.imap_unordered(_one, todo), 1):
            done[result["seed"], result["matching"]] = result
            file.write(json.dumps(result) + "\n")
            file.flush()
            print(f"\r{number} of {len(todo)} drives", end="", file=sys.stderr, flush=True)
    print(file=sys.stderr)
    return [done[task] for task in tasks]


def takes_much(result: Result) -> bool:
    """Whether the mismatch takes more than 8 % need or 10 % boost."""
    return bool(result["need"] > NEED_BAR or result["boost"] > BOOST_BAR)


def is_right(result: Result) -> bool:
    """Whether the right family is first, or in the declared tie."""
    right = FAMILY[result["kind"]]
    return right == result["family"] or right in result["tie"]


def report(results: Sequence[Result], verbose: bool) -> None:
    """Print everything."""
    wrong = [result for result in results if result["kind"] != "matching"]
    matching = [result for result in results if result["kind"] == "matching"]
    large = [result for result in wrong if takes_much(result)]
    _confusion("Family shown first, mismatches that take more than 8 % need or 10 % boost", large)
    _confusion("Family shown first, smaller mismatches and matching cars", [r for r in results if r not in large])
    inside, counted = _estimates(large)
    print("\nVerdicts")
    for title, group in (("large mismatch", large), ("small mismatch", [r for r in wrong if r not in large])):
        print(f"  {title:<16}", dict(Counter(result["verdict"] for result in group)))
    print(f"  {'matching':<16}", dict(Counter(result["verdict"] for result in matching)))
    # With more ethanol than calibrated for, an engine without a sensor for it really is lean in open loop: alarms that
    # say so are true. Which is false is said in `alarm_truth`.
    usual = [result for result in matching if result["ethanol_percent"] <= 10.0]
    ratios = _errors(large, RATIOS)
    right = sum(map(is_right, large))
    ties = sum(bool(result["tie"]) for result in results)
    print("\nBars")
    _bar("right family first or in a declared tie", _share(right, len(large)), "at least 95 %")
    _bar("declared ties", _share(ties, len(results)), "at most 15 %")
    _bar("misfit on matching drives", f"{sum(r['verdict'] == 'misfit' for r in matching)} of {len(matching)}", "none")
    _bar("95 % intervals that hold the truth", _share(inside, counted), "90 to 98 %")
    if ratios:
        middle, most = float(np.median(ratios)), float(np.quantile(ratios, 0.9))
        _bar(
            "meter and injector ratios, error", f"median {middle:.1f}, 90 % below {most:.1f} points", "within 2 points"
        )
    against = [{**r["compared"], "kind": r["kind"]} for r in large if r.get("compared")]
    ratios = _errors(against, RATIOS)
    if ratios:
        middle, most = float(np.median(ratios)), float(np.quantile(ratios, 0.9))
        held = [
            low <= truth <= high for match in map(_matched, against) if match for _, _, low, high, truth, _ in [match]
        ]
        reached = f"median {middle:.1f}, 90 % below {most:.1f} points, {_share(sum(held), len(held))} inside"
        _bar(f"the same against a baseline ({len(ratios)} of {len(against)})", reached, "within 2 points")
    _bar("false critical alarms, up to E10", _critical(usual), "1 in 20 h")
    _bar("false critical alarms, E20 and E25", _critical([r for r in matching if r not in usual]), "1 in 20 h")
    cost = np.mean([result["cost"] for result in results], axis=0)
    print(f"\nA drive took {cost[0]:.1f} s to simulate, {cost[1]:.1f} s to watch and judge.")
    for result in results:
        missed = (takes_much(result) and not is_right(result)) or (
            result["kind"] == "matching" and result["verdict"] == "misfit"
        )
        if missed or verbose:
            print(
                f"  {'missed' if missed else '      '} seed {result['seed']} {result['car']} {result['route']} "
                f"{result['rate']:.0f} Hz {result['kind']} {result['size']:g} need {100 * result['need']:.0f} % boost "
                f"{100 * result['boost']:.0f} %: {result['verdict']}, {result['cause']} "
                f"({result['weight']:.0f} decibans, p {result['probability']:.2f}) tie {result['tie']}"
            )


def _share(part: int, whole: int) -> str:
    return f"{100.0 * part / whole:.1f} % ({part} of {whole})" if whole else "none to count"


def _critical(results: Sequence[Result]) -> str:
    hours = sum(result["seconds"] for result in results) / 3600.0
    raised = sum(len(result["critical"]) for result in results)
    names = Counter(name for result in results for name in result["false_critical"])
    return f"{sum(names.values())} in {hours:.1f} h, of {raised} raised {dict(names) or ''}"


def _bar(what: str, reached: str, wanted: str) -> None:
    print(f"  {what:<42} {reached:<44} bar: {wanted}")


def _confusion(title: str, results: Sequence[Result]) -> None:
    print(f"\n{title} ({len(results)} drives)")
    print(f"  {'':<20}" + "".join(f"{family:>13}" for family in FAMILIES) + f"{'in a tie':>13}")
    for kind in (*FAMILY, "matching"):
        group = [result for result in results if result["kind"] == kind]
        if group:
            counts = Counter(result["family"] for result in group)
            ties = sum(bool(result["tie"]) for result in group)
            print(
                f"  {kind:<20}" + "".join(f"{counts[family] or '.':>13}" for family in FAMILIES) + f"{ties or '.':>13}"
            )


def _matched(result: Result) -> tuple[str, float, float, float, float, str] | None:
    """Words, estimate, low, high, truth and unit, where the cause shown first measures what is really wrong."""
    for prefix, truth in result["truth"].items():
        for estimate in result["estimates"]:
            if estimate["quantity"].startswith(prefix) and estimate["interval_95"]:
                low, high = estimate["interval_95"]
                return prefix, estimate["value"], low, high, truth, estimate["unit"]
    return None


def _estimates(results: Sequence[Result]) -> tuple[int, int]:
    print("\nEstimates where the right cause is first")
    print(f"  {'':<20}{'drives':>8}{'median error':>16}{'90 % below':>14}{'in interval':>14}")
    inside = counted = 0
    for kind in FAMILY:
        found = [match for result in results if result["kind"] == kind and (match := _matched(result))]
        if not found:
            continue
        errors = [abs(value - truth) for _, value, _, _, truth, _ in found]
        held = sum(low <= truth <= high for _, _, low, high, truth, _ in found)
        unit = found[0][5]
        median, most = float(np.median(errors)), float(np.quantile(errors, 0.9))
        print(
            f"  {kind:<20}{len(found):>8}{median:>12.3f} {unit:<3}{most:>10.3f} {unit:<3}{_share(held, len(found)):>16}"
        )
        inside, counted = inside + held, counted + len(found)
    return inside, counted


def _errors(results: Sequence[Result], prefixes: tuple[str, ...]) -> list[float]:
    """Errors of plain ratios, in points."""
    found = [match for result in results if result["kind"] in RATIO_KINDS and (match := _matched(result))]
    return [100.0 * abs(match[1] - match[4]) for match in found if match[0] in prefixes]


def main(arguments: Sequence[str] | None = None) -> None:
    """Run it."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--drives", type=int, default=300, help="drives of any kind (300)")
    parser.add_argument("--matching", type=int, default=100, help="further drives on matching parts (100)")
    parser.add_argument("--first", type=int, default=0, help="first seed (0); 1000 to 39999 are for tuning")
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--results", type=Path, default=Path("blind_evaluation.jsonl"))
    parser.add_argument("--so-far", action="store_true", help="report on what the results file has, drive nothing")
    parser.add_argument("--verbose", action="store_true", help="a line for every drive")
    given = parser.parse_args(arguments)
    matching = given.first + FIRST_MATCHING
    # Both kinds spread over the run, so that what there is so far is a fair sample.
    places = [((k + 0.5) / given.drives, (given.first + k, False)) for k in range(given.drives)]
    places += [((k + 0.5) / given.matching, (matching + k, True)) for k in range(given.matching)]
    tasks = [task for _, task in sorted(places)]
    if given.so_far:
        tasks = [task for task in tasks if task in read(given.results)]
    report(run(tasks, given.results, given.processes), given.verbose)


if __name__ == "__main__":
    main()
