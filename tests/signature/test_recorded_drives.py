"""The recorded drives that come with livewatch: each is judged as replay_data/README.md says a specialist should.

These are simulated, so this is a check of the whole path rather than of the physics; test_trade_patterns has that.
"""

from __future__ import annotations

import json
import re
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from livewatch import diagnose
from livewatch.diagnosis.page import page
from livewatch.profile import load_profile
from livewatch.profile.shipped import find_profile, shipped_folder
from livewatch.run.opening import open_source
from livewatch.run.reading import read_through
from livewatch.run.run import Run

BRACKWELL, LINDEN, TARN = "brackwell_20t", "linden_16", "tarn_30t"
DRIVES: tuple[tuple[str, str, str, tuple[str, ...]], ...] = (
    ("matching_parts", BRACKWELL, "fits", ("everyday",)),
    ("altitude", BRACKWELL, "fits", ("everyday",)),
    ("larger_intake_bore", BRACKWELL, "misfit", ("meter_scale",)),
    ("larger_injectors", BRACKWELL, "misfit", ("injector_flow",)),
    ("vacuum_leak", LINDEN, "misfit", ("vacuum_leak",)),
    ("boost_overshoot", BRACKWELL, "misfit", ("boost_control",)),
    ("boost_creep", BRACKWELL, "misfit", ("boost_creep",)),
    ("fuel_supply_limit", BRACKWELL, "misfit", ("fuel_supply",)),
    ("weak_injector_bank_2", TARN, "misfit", ("one_bank",)),
    ("hose_off_in_a_pull", BRACKWELL, "misfit", ("pressure_leak",)),
)


@cache
def judged(name: str, profile_name: str) -> Any:
    path: Path = shipped_folder("replay_data") / f"{name}.log.gz"
    profile = load_profile(find_profile(profile_name))
    run = Run(profile)
    read_through(open_source(path, profile, {}), run)
    return run.signature.finding()


@pytest.mark.parametrize(("name", "profile", "word", "causes"), DRIVES, ids=[drive[0] for drive in DRIVES])
def test_a_recorded_drive_is_judged_as_its_story_says(
    name: str, profile: str, word: str, causes: tuple[str, ...]
) -> None:
    said = judged(name, profile)
    assert said.verdict.word == word
    assert said.causes[0].name in causes
    json.dumps(said.to_json(), allow_nan=False)  # RFC 8259 knows no NaN
    lines = page(said).splitlines()
    assert max(map(len, lines)) <= 79
    truths = {
        "larger_intake_bore": ("true over metered air", (70.0 / 66.0) ** 2),
        "larger_injectors": ("flow fitted over flow calibrated for", 1.17),
        "vacuum_leak": ("diameter of one round hole that does the same", 1.9),
    }
    if name == "hose_off_in_a_pull":
        assert "measure it standing first" in said.coverage.next_drive
    if name in truths:
        quantity, truth = truths[name]
        estimate = next(one for one in said.causes[0].estimates if one.quantity == quantity)
        assert estimate.low <= truth <= estimate.high


@pytest.mark.parametrize(("name", "profile"), [drive[:2] for drive in DRIVES], ids=[drive[0] for drive in DRIVES])
def test_the_front_door_judges_a_recorded_drive_as_a_run_does(name: str, profile: str) -> None:
    asked = diagnose(shipped_folder("replay_data") / f"{name}.log.gz", load_profile(find_profile(profile))).to_json()
    said = judged(name, profile).to_json()
    assert {part: asked[part] for part in ("verdict", "sentence", "unexplained", "systems", "causes")} == {
        part: said[part] for part in ("verdict", "sentence", "unexplained", "systems", "causes")
    }
    if name == "vacuum_leak":  # the seconds before an alarm tell that it came as the throttle opened
        assert [system["alarms_at_opening"] for system in asked["systems"]] == [[], ["lean_under_load"], []]


README = (shipped_folder("replay_data") / "README.md").read_text(encoding="utf-8")
SAID = re.findall(r"(?ms)^## `(\w+)\.log\.gz`.*?^- Profile: `(\w+)`.*?^- Says: (.*?)(?=^- |^#|^---|^$|\Z)", README)


@pytest.mark.parametrize(("name", "profile", "sentence"), SAID, ids=[name for name, _, _ in SAID])
def test_the_readme_beside_a_recorded_drive_says_what_livewatch_says(name: str, profile: str, sentence: str) -> None:
    said = judged(name, profile)
    assert f"{said.verdict.word}. {said.sentence}" == " ".join(sentence.split())


def test_the_readme_has_the_sentence_of_every_recorded_drive() -> None:
    drives = sorted(path.name.partition(".")[0] for path in shipped_folder("replay_data").glob("*.gz"))
    assert sorted(name for name, _, _ in SAID) == drives


@pytest.mark.parametrize(
    ("name", "systems"),
    [
        (
            "tube_and_vacuum_leak",
            {"fuel at part load": {"meter_scale", "vacuum_leak"}, "fuel under load": {"meter_scale"}, "boost": set()},
        ),
        (
            "injectors_and_solenoid",
            {
                "fuel at part load": {"injector_flow"},
                "fuel under load": {"injector_flow"},
                "boost": {"boost_control"},
                "fuel supply": set(),
            },
        ),
    ],
)
def test_two_things_wrong_at_once_are_both_found_each_in_its_system(name: str, systems: dict[str, set[str]]) -> None:
    said = judged(name, BRACKWELL).to_json()
    assert said["verdict"] == "misfit"
    assert {one["cause"] for one in said["causes"] if one["established"]} == set().union(*systems.values())
    found = {one["system"]: set(one["causes"]) for one in said["systems"]}
    assert {system: found[system] for system in systems} == systems
