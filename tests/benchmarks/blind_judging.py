"""One drive of the blind evaluation, watched, judged and set beside the truth, as plain data.

Read is the documented JSON of a verdict: `verdict`, `systems` (name to fits, strained, misfit, unproven or not seen),
`causes` with `established`, `family`, `cause`, `estimates`, `tie_with`, and `unexplained` alarms. Where a key is not
there, as in older versions, the nearest thing stands in for it (`established_in`, `unexplained_in`).
"""

from __future__ import annotations

import time
from dataclasses import replace
from pathlib import Path
from typing import Any

from alarm_truth import facts_of, is_borne_out, runs_of
from blind_cache import KeptDrive, driven
from blind_scenarios import Drawn, drawn_of
from blind_truth import full_load_seconds, wrong_with
from blind_watching import Watching, batches_of, profile_of, watching_of

from livewatch.data.events import AlarmChanged
from livewatch.diagnosis.assessment import assess
from livewatch.run.pipeline import Pipeline
from livewatch.signature import Signature

__all__ = ["NOTHING_SEEN", "RATIO_KINDS", "Result", "established_in", "judge", "words_of_systems"]

Result = dict[str, Any]
RATIO_KINDS = ("air_meter_bore", "injector_flow")
NOTHING_SEEN = ("not seen", "unproven")
_SIGNATURE_ALARMS = (
    "lean_under_load", "rich_under_load", "overboost", "rail_pressure_falling", "knock_retard_at_limit",
    "injector_duty_at_limit", "overboost_fuel_cut",
)  # fmt: skip
"""How the names of the critical alarms begin that speak of a mismatch."""


def judge(kind: str, seed: int, folder: Path | None, baseline: bool = False) -> Result:
    """Drive (or fetch), watch and judge; with `baseline` the ratios once more against the car before the change."""
    started = time.perf_counter()
    drive = driven(drawn_of(kind, seed), folder)
    simulated = time.perf_counter()
    watching = watching_of(kind, drive)
    said, raised = _watched(drive, watching)
    judged = time.perf_counter()
    facts = facts_of(drive)  # type: ignore[arg-type]
    wrong = wrong_with(drive)
    causes = [
        {
            "family": cause["family"], "cause": cause["cause"], "probability": cause["probability"],
            "weight": cause["weight_of_evidence"], "tie": cause["tie_with"], "estimates": cause["estimates"],
        }
        for cause in said["causes"]
    ]  # fmt: skip
    for cause, established in zip(causes, established_in(said), strict=True):
        cause["established"] = established
        cause["likely"] = cause["cause"] in said.get("likely", ())
    ratio = wrong and all(one.kind in RATIO_KINDS for one in wrong) and len(wrong) == 1
    return {
        "task": kind,
        "seed": seed,
        "car": drive.facts["car"],
        "route": drive.facts["route"],
        "rate": watching.rate,
        "frames": watching.frames,
        "without": sorted(watching.without),
        "watched": watching.label(),
        "channel": watching.channel,
        "altitude_m": drive.facts["altitude_m"],
        "ethanol_percent": drive.facts["ethanol_percent"],
        "full_load": full_load_seconds(drive),
        "wrong": [one.to_json() for one in wrong],
        "supply_ends": bool(runs_of(facts["rail_pressure_falling"].possibly, facts["rail_pressure_falling"].lasting)),
        "verdict": said["verdict"],
        "sentence": said.get("sentence", ""),
        "systems": said.get("systems"),
        "groups": [
            {"name": group.get("group") or group.get("name"), "seconds": group.get("seconds") or group.get("settled")}
            for group in said["coverage"].get("groups", [])
        ],
        "causes": causes,
        "named": [one["channel"] for one in said.get("mixed_up", [])],
        "critical": [name for name, _ in raised],
        "false_critical": [name for name, at in raised if not is_borne_out(facts.get(name), at)],
        "unexplained": unexplained_in(said, [name for name, _ in raised]),
        "unseen": _unseen(said, drive, watching),
        "compared": _compared(drive, watching, folder) if baseline and ratio else None,
        "seconds": float(drive.time[-1]),
        "cost": [simulated - started, judged - simulated],
    }


def _watched(
    drive: KeptDrive, watching: Watching, baseline: Any = None
) -> tuple[dict[str, Any], list[tuple[str, float]]]:
    """The JSON of the verdict, and the critical alarms raised with their times in s of the drive."""
    signature, events = _signature(drive, watching, baseline)
    # Older versions have no room where signature and build sheet meet.
    said = signature.assessment().to_json() if hasattr(signature, "assessment") else assess(signature).to_json()
    raised = [
        (event.subject, event.time / 1e9)
        for event in events
        if isinstance(event, AlarmChanged) and event.raised and event.priority == "critical"
    ]
    return said, raised


def _signature(drive: KeptDrive, watching: Watching, baseline: Any = None) -> tuple[Any, list[Any]]:
    profile = profile_of(drive, watching)
    signature = Signature(profile, baseline=baseline)
    pipeline = Pipeline(profile, [signature])
    events = [event for batch in batches_of(drive, watching, profile) for event in pipeline.push(batch)]
    return signature, [*events, *pipeline.finish()]


def established_in(said: dict[str, Any]) -> list[bool]:
    """Which causes are named as established. Without the key: the first, where the verdict is that something is wrong
    and it is no everyday reason."""
    causes = said["causes"]
    if any("established" in cause for cause in causes):
        return [bool(cause.get("established")) for cause in causes]
    named = said["verdict"] in ("misfit", "strained")
    return [
        named and place == 0 and cause["family"] != "none" and cause["weight_of_evidence"] >= 10.0
        for place, cause in enumerate(causes)
    ]


def unexplained_in(said: dict[str, Any], critical: list[str]) -> list[str]:
    """Critical alarms of the signature's own that no cause explains. Without the key: all of them, where no cause is
    established."""
    for key in ("unexplained", "unexplained_alarms"):
        if key in said:
            return [one if isinstance(one, str) else str(one.get("alarm")) for one in said[key]]
    if any(established_in(said)):
        return []
    return sorted({name for name in critical if name.startswith(_SIGNATURE_ALARMS)})


def _unseen(said: dict[str, Any], drive: KeptDrive, watching: Watching) -> list[str]:
    """Systems that were not seen. Without the key: full load that was not driven, boost without a command."""
    systems = said.get("systems")
    if systems is not None:
        return [name for name, word in words_of_systems(systems).items() if word == "not seen"]
    unseen = [] if full_load_seconds(drive) > 2.0 else ["fuel under load", "fuel supply"]
    boosted = "boost_pressure" in drive.channels
    if boosted and ("boost command" in watching.without or watching.standard or full_load_seconds(drive) <= 2.0):
        unseen.append("boost")
    return unseen


def words_of_systems(systems: Any) -> dict[str, str]:
    """System to word, whether it comes as a mapping to words, to objects, or as a list of objects."""
    if isinstance(systems, list):
        return {str(one.get("system", one.get("name"))): str(one.get("word", one.get("verdict"))) for one in systems}
    return {
        name: word if isinstance(word, str) else str(word.get("word", word.get("verdict")))
        for name, word in systems.items()
    }


def _compared(drive: KeptDrive, watching: Watching, folder: Path | None) -> Result:
    """The same drive judged against a baseline: the same car with matching parts, on another day with other weather,
    another fuel and another route."""
    drawn: Drawn = drawn_of("single", drive.scenario.seed) | {
        "kind": "baseline", "mismatches": [], "route": "mixed", "weather_kpa": 0.5, "ambient_degC": 15.0,
        "ethanol_percent": 7.0, "cold_start": False,
    }  # fmt: skip
    before = driven(drawn, folder)
    assert before.facts["tolerances"] == drive.facts["tolerances"]
    plain = replace(watching, frames=False)
    baseline = _signature(before, plain)[0].as_baseline()
    said, _ = _watched(drive, plain, baseline)
    first = said["causes"][0] if said["causes"] else {"family": "none", "estimates": []}
    return {"family": first["family"], "estimates": first["estimates"]}
