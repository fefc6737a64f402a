"""What the blind evaluation prints: results go in, confusion, estimates, a table of channels and the bars come out.

A family is *hit* when a cause of it is established, or tied with one that is. A cause is *invented* when it is
established and nothing of its family is wrong with the car, however little; a hose off the boost side may be called
boost that falls short. Only mismatches that take more than 8 % need or 10 % boost have to be named.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence

import numpy as np
from blind_judging import NOTHING_SEEN, RATIO_KINDS, Result, words_of_systems
from blind_scenarios import FAMILY, FAULTS
from blind_watching import SETS

__all__ = ["report"]

FAMILIES = ("metering", "injection", "air leak", "boost", "fuel supply", "none")
RATIOS = ("true over metered air", "flow fitted")
CALIBRATED_ETHANOL, OTHER_FUEL = 10.0, 5.0
"""Per cent of ethanol that the cars are calibrated for, and how far from it a fuel is another one."""
EVERY = ("single", "double", "triple", "matching")


def report(results: Sequence[Result], verbose: bool) -> None:
    """Print everything."""
    of = {kind: [result for result in results if result["task"] == kind] for kind in (*EVERY, "ordinary", *FAULTS)}
    # A seed of a single mismatch may draw a matching car.
    matching = [r for r in (*of["single"], *of["matching"]) if not r["wrong"]]
    single = [r for r in of["single"] if _must(r)]
    double = [r for r in of["double"] if len(_must(r)) == 2 and not _is_one_ratio(r)]
    triple = [r for r in of["triple"] if len(_must(r)) >= 2]
    _confusion(single)
    _verdicts(single=single, double=double, triple=triple, matching=matching, ordinary=of["ordinary"])
    inside, counted = _estimates([r for kind in EVERY for r in of[kind]])
    _channels([*of["single"], *of["double"], *of["triple"]])
    print("\nBars")
    for title, group in (("all", single), ("every channel", [r for r in single if not r["without"]])):
        hits = sum(_hit(r, _must(r)) == len(_must(r)) for r in group)
        _bar(f"single, right family or in its tie, {title}", _share(hits, len(group)), "98 %")
    _bar("single, declared ties", _share(sum(bool(_ties(r)) for r in single), len(single)), "at most 8 %")
    for title, group, needed, bar in (("double, both", double, 2, "90 %"), ("triple, two or more", triple, 2, "85 %")):
        for what, part in (("all", group), ("every channel", [r for r in group if not r["without"]])):
            right = sum(_hit(r, _must(r)) >= needed and not _invented(r) for r in part)
            _bar(f"{title}, none invented, {what}", _share(right, len(part)), bar)
    for title, group, bar in (("single", single, "98 %"), ("double", double, "90 %"), ("triple", triple, "85 %")):
        right = sum(_hit(r, _must(r), True) >= min(2, len(_must(r))) and not _invented(r) for r in group)
        _bar(f"{title}, in the sentence, established or likely", _share(right, len(group)), bar)
    for title, group in (("single", single), ("double", double), ("triple, two or more", triple)):
        shown = [r for r in group if len(_shown(r)) >= min(2, len(_must(r)))]
        right = sum(_hit(r, _shown(r)) >= min(2, len(_must(r))) and not _invented(r) for r in shown)
        _bar(f"{title}, of what a channel can show", _share(right, len(shown)), "as above")
    hidden = [(r, family) for r in (*single, *double, *triple) for family in set(_must(r)) - set(_shown(r))]
    silent = [
        words_of_systems(r["systems"]).get(family) != "not seen" and family not in _named(r) for r, family in hidden
    ]
    _bar("what no channel can show: not seen, or found all the same", _share(silent.count(False), len(hidden)), "all")
    ratio = [r for r in of["double"] if _is_one_ratio(r)]
    right = sum(not _invented(r) for r in ratio)
    _bar("bore with injectors, one ratio of the two: none invented", _share(right, len(ratio)), "all")
    told = [r for kind in EVERY for r in of[kind]]
    _bar("drives with an invented cause", _share(sum(bool(_invented(r)) for r in told), len(told)), "at most 2 %")
    false = sum(bool(_invented(r, "likely")) for r in told)
    _bar("drives with a cause called likely that is not there", _share(false, len(told)), "told, no bar")
    _bar("matching: misfit", _share(_of(matching, "misfit"), len(matching)), "none")
    lean = [r for r in matching if _is_truly_lean(r)]
    others = [r for r in matching if not _is_truly_lean(r)]
    _bar("matching: strained", _share(_of(others, "strained"), len(others)), "at most 1 %")
    _bar("matching parts, truly lean by the fuel: strained", _share(_of(lean, "strained"), len(lean)), "all")
    named = sum("fuel" in _named(r) for r in lean)
    _bar("the same: the fuel named", _share(named, len(lean)), "where its sensor is seen")
    fits = [r for r in results if r["verdict"] == "fits"]
    _bar(
        "fits with an unexplained critical alarm", _share(sum(bool(r["unexplained"]) for r in fits), len(fits)), "none"
    )
    _bar("fits with a system not seen", _share(sum(bool(r["unseen"]) for r in fits), len(fits)), "none")
    _bar("95 % intervals that hold the truth", _share(inside, counted), "93 to 98 %")
    _ratios(of["single"])
    _ordinary(of["ordinary"])
    _false_alarms(matching)
    if results:
        cost = np.mean([result["cost"] for result in results], axis=0)
        print(f"\nA drive took {cost[0]:.1f} s to simulate or fetch, {cost[1]:.1f} s to watch and judge.")
    _lines(results, verbose)


def _is_truly_lean(result: Result) -> bool:
    """Whether a critical alarm was raised that the truth bears out. On more ethanol than calibrated for the mixture may
    really be too lean under load: the parts match, the car does not, and a verdict that called it right would stand
    against a true alarm."""
    return len(result["critical"]) > len(result["false_critical"])


def _must(result: Result) -> list[str]:
    """Families that have to be named, one for each large mismatch."""
    return [wrong["family"] for wrong in result["wrong"] if wrong["large"] and wrong["family"] != "none"]


def _shown(result: Result) -> list[str]:
    """Those that have to be named and that any channel of the drive can show: without the boost commanded nothing says
    how far boost is from it (where control works against it that shows all the same), and without lambda and fuel
    pressure nothing shows a supply that ends."""
    gone = set(result["without"])
    hides = {"boost": {"boost command"}, "fuel supply": {"lambda", "rail pressure"}}
    return [family for family in _must(result) if not hides.get(family, {"no channel"}) <= gone]


def _is_one_ratio(result: Result) -> bool:
    """Whether two ratios are wrong that multiply, or cancel: without a baseline no drive tells the one from the
    other."""
    return {wrong["kind"] for wrong in result["wrong"]} == set(RATIO_KINDS)


def _named(result: Result, likely: bool = False) -> set[str]:
    """Families named as established, and those declared to be in a tie with them; with those that the sentence calls
    likely, where these count."""
    known = {cause["cause"]: cause["family"] for cause in result["causes"]}
    named = set()
    for cause in result["causes"]:
        if cause["established"] or (likely and cause.get("likely")):
            named |= {cause["family"], *(known[other] for other in cause["tie"] if other in known)}
    return named


def _ties(result: Result) -> list[str]:
    return [other for cause in result["causes"] if cause["established"] for other in cause["tie"]]


def _hit(result: Result, families: Iterable[str], likely: bool = False) -> int:
    named = _named(result, likely)
    return sum(family in named for family in families)


def _invented(result: Result, called: str = "established") -> list[str]:
    """Causes established, or called likely, that nothing is behind, a tie with something true aside. A pump whose
    pressure truly falls, as the alarm of it counts that, is at its limit, whatever asks too much of it."""
    true = {wrong["family"] for wrong in result["wrong"]}
    if result.get("supply_ends"):
        true.add("fuel supply")
    if any(wrong["kind"] == "pressure_leak" for wrong in result["wrong"]):
        true.add("boost")
    if abs(result["ethanol_percent"] - CALIBRATED_ETHANOL) > OTHER_FUEL:
        true.add("fuel")
    known = {cause["cause"]: cause["family"] for cause in result["causes"]}
    return [
        cause["cause"]
        for cause in result["causes"]
        if cause.get(called)
        and cause["family"] not in true
        and not any(known.get(other) in true for other in cause["tie"])
    ]


def _of(results: Sequence[Result], word: str) -> int:
    return sum(result["verdict"] == word for result in results)


def _confusion(results: Sequence[Result]) -> None:
    print(
        f"\nFamilies established, single mismatches that take more than 8 % need or 10 % boost ({len(results)} drives)"
    )
    print(f"  {'':<20}" + "".join(f"{family:>13}" for family in (*FAMILIES, "nothing", "in a tie")))
    for kind in FAMILY:
        group = [result for result in results if result["wrong"][0]["kind"] == kind]
        if not group:
            continue
        counts = Counter(c["family"] for result in group for c in result["causes"] if c["established"])
        counts["nothing"] = sum(not any(c["established"] for c in result["causes"]) for result in group)
        counts["in a tie"] = sum(bool(_ties(result)) for result in group)
        print(f"  {kind:<20}" + "".join(f"{counts[f] or '.':>13}" for f in (*FAMILIES, "nothing", "in a tie")))


def _verdicts(**groups: Sequence[Result]) -> None:
    print("\nVerdicts")
    for title, group in groups.items():
        if group:
            systems = Counter(
                f"{name}: {word}"
                for r in group
                for name, word in (words_of_systems(r["systems"]) if r["systems"] else {}).items()
            )
            print(f"  {title:<10}{len(group):>5}  {dict(Counter(result['verdict'] for result in group))}")
            if systems:
                print("              " + ", ".join(f"{name} {count}" for name, count in sorted(systems.items())))


def _matched(result: Result) -> list[tuple[str, str, float, float, float, float, str]]:
    """Kind, words, estimate, low, high, truth and unit of every established cause (or the first) that measures what is
    really wrong."""
    found = []
    for wrong in result["wrong"]:
        for place, cause in enumerate(result["causes"]):
            if not (cause["established"] or place == 0) or cause["family"] != wrong["family"]:
                continue
            for prefix, truth in wrong["truth"].items():
                for estimate in cause["estimates"]:
                    if estimate["quantity"].startswith(prefix) and estimate["interval_95"]:
                        low, high = estimate["interval_95"]
                        found.append((wrong["kind"], prefix, estimate["value"], low, high, truth, estimate["unit"]))
                        break
    return found


def _estimates(results: Sequence[Result]) -> tuple[int, int]:
    print("\nEstimates of causes that are there")
    print(f"  {'':<20}{'drives':>8}{'median error':>16}{'90 % below':>14}{'in interval':>20}")
    matched = [one for result in results for one in _matched(result)]
    inside = counted = 0
    for kind in FAMILY:
        found = [one for one in matched if one[0] == kind]
        if not found:
            continue
        errors = [abs(value - truth) for _, _, value, _, _, truth, _ in found]
        held = sum(low <= truth <= high for _, _, _, low, high, truth, _ in found)
        unit = found[0][6]
        middle, most = float(np.median(errors)), float(np.quantile(errors, 0.9))
        print(
            f"  {kind:<20}{len(found):>8}{middle:>12.3f} {unit:<3}{most:>10.3f} {unit:<3}{_share(held, len(found)):>20}"
        )
        inside, counted = inside + held, counted + len(found)
    return inside, counted


def _ratios(results: Sequence[Result]) -> None:
    """Errors of meter and injector ratios, in points, alone and against a baseline."""
    alone = [
        100.0 * abs(value - truth)
        for result in results
        if len(result["wrong"]) == 1
        for kind, prefix, value, _, _, truth, _ in _matched(result)
        if kind in RATIO_KINDS and prefix in RATIOS
    ]
    _error_bar("meter and injector ratios, error", alone, "median 1.0, 90 % below 2.0")
    against = [
        100.0 * abs(estimate["value"] - truth)
        for result in results
        if result["compared"]
        for prefix, truth in result["wrong"][0]["against_baseline"].items()
        for estimate in result["compared"]["estimates"]
        if prefix in RATIOS and estimate["quantity"].startswith(prefix)
    ]
    _error_bar("the same against a baseline", against, "median 0.5, 90 % below 1.2")


def _error_bar(what: str, errors: Sequence[float], bar: str) -> None:
    if errors:
        middle, most = float(np.median(errors)), float(np.quantile(errors, 0.9))
        _bar(what, f"median {middle:.1f}, 90 % below {most:.1f} points ({len(errors)})", bar)


def _channels(results: Sequence[Result]) -> None:
    """Share of large mismatches whose family is named, by kind and by what was missing."""
    print("\nLarge mismatches named, by what the car did not tell (hit of all; alone or with others)")
    columns = {"everything": lambda r: not r["without"]} | {
        f"no {name}": (lambda r, name=name: name in r["without"]) for name in SETS
    }
    columns |= {f"{rate} Hz": (lambda r, low=low, high=high: not r["without"] and low <= r["rate"] <= high)
                for rate, low, high in (("100", 50, 100), ("20", 10, 20), ("5", 5, 5), ("2", 2, 2))}  # fmt: skip
    columns["frames"] = lambda r: r["frames"]
    print(f"  {'':<20}" + "".join(f"{title:>19}" for title in columns))
    for kind in FAMILY:
        cells = []
        for belongs in columns.values():
            group = [r for r in results if belongs(r) and any(w["kind"] == kind and w["large"] for w in r["wrong"])]
            cells.append(f"{sum(FAMILY[kind] in _named(r) for r in group)} of {len(group)}" if group else ".")
        if any(cell != "." for cell in cells):
            print(f"  {kind:<20}" + "".join(f"{cell:>19}" for cell in cells))


def _ordinary(results: Sequence[Result]) -> None:
    if not results:
        return
    _bar("healthy at 1 Hz: misfit", _share(_of(results, "misfit"), len(results)), "none")
    _bar("healthy at 1 Hz: strained", _share(_of(results, "strained"), len(results)), "none")
    seen = [r for r in results if _right_as_far_as_driven(r)]
    _bar("healthy at 1 Hz: right as far as driven", _share(len(seen), len(results)), "90 %")


def _right_as_far_as_driven(result: Result) -> bool:
    """Whether part-load fuel is said to be right: by its system, or else idle, light and middle load settled."""
    if result["verdict"] not in ("fits", "unproven"):
        return False
    if result["systems"]:
        words = words_of_systems(result["systems"])
        part = [word for name, word in words.items() if "part" in name]
        if part:
            return part[0] not in (*NOTHING_SEEN, "strained", "misfit")
    groups = {group["name"]: group["seconds"] or 0.0 for group in result["groups"]}
    return all(groups.get(name, 0.0) > 0.0 for name in ("idle", "light load", "middle load"))


def _false_alarms(matching: Sequence[Result]) -> None:
    # With more ethanol than calibrated for, an engine without a sensor for it really is lean in open loop: alarms that
    # say so are true. Which is false is said in `alarm_truth`.
    for title, group in (
        ("false critical alarms, up to E10", [r for r in matching if r["ethanol_percent"] <= 10.0]),
        ("false critical alarms, E20 and E25", [r for r in matching if r["ethanol_percent"] > 10.0]),
    ):
        hours = sum(result["seconds"] for result in group) / 3600.0
        names = Counter(name for result in group for name in result["false_critical"])
        raised = sum(len(result["critical"]) for result in group)
        _bar(title, f"{sum(names.values())} in {hours:.1f} h, of {raised} raised {dict(names) or ''}", "1 in 20 h")


def _lines(results: Sequence[Result], verbose: bool) -> None:
    """A line for each drive that is wrong in some way (or for every one)."""
    for result in results:
        faults = _faults(result)
        if not (faults or verbose):
            continue
        wrong = ", ".join(
            f"{w['kind']} {w['size']:g} (need {100 * w['need']:.0f} %, boost {100 * w['boost']:.0f} %)"
            for w in result["wrong"]
        )
        said = ", ".join(
            f"{c['cause']}{'' if c['established'] else '?'} {c['probability']:.2f}"
            for place, c in enumerate(result["causes"])
            if c["established"] or place == 0
        )
        print(
            f"  {'; '.join(faults) or 'right'} | {result['task']} {result['seed']} {result['car']} {result['route']} "
            f"{result['watched']} | {wrong or 'nothing wrong'} | {result['verdict']}: {said}"
        )


def _faults(result: Result) -> list[str]:
    """What is wrong with what was said."""
    faults = []
    must = _must(result)
    if "boost" in result["unseen"] and result["task"] in FAULTS:
        # Nobody can know what boost was wanted there: what is asked for is that it is said to be not seen.
        must = [family for family in must if family != "boost"]
    if _hit(result, must) < len(must):
        faults.append(f"missed {', '.join(f for f in must if f not in _named(result))}")
    if result["task"] in EVERY and (invented := _invented(result)):
        faults.append(f"invented {', '.join(invented)}")
    healthy = not result["wrong"] and result["task"] not in FAULTS and not _is_truly_lean(result)
    if healthy and result["verdict"] in ("misfit", "strained"):
        faults.append(f"{result['verdict']} on a healthy car")
    if result["task"] == "ordinary" and not _right_as_far_as_driven(result):
        faults.append("part load not seen")
    if result["verdict"] == "fits":
        faults += [f"fits beside {name}" for name in result["unexplained"]]
        faults += [f"fits, {name} not seen" for name in result["unseen"]]
    if result["task"] in FAULTS and result["channel"] and result["channel"] not in result["named"]:
        faults.append(f"{result['channel']} not named")
    return faults


def _share(part: int, whole: int) -> str:
    return f"{100.0 * part / whole:.1f} % ({part} of {whole})" if whole else "none to count"


def _bar(what: str, reached: str, wanted: str) -> None:
    print(f"  {what:<58} {reached:<44} bar: {wanted}")
