"""An answer never claims more than is known."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import livewatch
from livewatch.build_sheet.forecast import predict
from livewatch.build_sheet.parts import SLOTS
from livewatch.build_sheet.sheet import read_build_sheet
from livewatch.profile.shipped import find_profile
from livewatch.report.answer import Answer, answer_of
from livewatch.report.layout import lay_out
from livewatch.signature.causes.registry import HYPOTHESES
from livewatch.wording.customer import cause_words, part_words

PROFILE = livewatch.load_profile(find_profile("brackwell_20t"))
CALIBRATED = {
    "intake": "{part: A}", "air_meter_housing": "{part: A, bore: 66 mm}",
    "injectors": "{part: A, flow: 440 cm^3/min, at: 300 kPa, dead_time: 0.9 ms}",
    "fuel_pump": "{part: A, flow: 94 L/h, at: 400 kPa, set_pressure: 400 kPa, referenced_to: atmosphere}",
    "turbocharger": "{part: A}", "wastegate_actuator": "{part: A, preload: 36 kPa}",
    "boost_control_solenoid": "{part: A, bleed: 85 %}", "downpipe": "{part: A, bore: 63 mm}",
    "intercooler": "{part: A}", "fuel": "gasoline E10",
}  # fmt: skip
WORDS = {"yes": "needs", "no": "needs none", "unknown": "not known"}


def answered(fitted: dict[str, str]) -> Answer:
    def block(parts: dict[str, str]) -> str:
        return "".join(f"  {slot}: {part}\n" for slot, part in parts.items()) or "  {}\n"

    text = f"build_sheet: 1\nname: x\ncalibrated_for:\n{block(CALIBRATED)}fitted:\n{block(fitted)}"
    return answer_of(predict(read_build_sheet(text, "x.yaml"), PROFILE))


def test_all_the_same_needs_none() -> None:
    said = answered(dict.fromkeys(SLOTS, "same"))
    assert said.needs == "no" and not said.parts and said.headline.startswith("No:")


def test_a_wider_bore_needs_another_and_keeps_the_foot_off() -> None:
    # Metered area, common practice: 66 to 70 mm is 12.5 % lean.
    said = answered(dict.fromkeys(SLOTS, "same") | {"air_meter_housing": "{part: B, bore: 70 mm}"})
    (part,) = said.parts
    assert said.needs == part.needs == "yes" and "1.1249" in part.why
    assert part.without.startswith("At full power the engine would get about 12 % too little fuel")
    assert said.until[0].startswith("Do not drive at full power")


TRADE = ("trim", "lambda", " need ", "lean", "rich", "open loop", "`", "livewatch diagnose", "kPa", "g/s")
"""Words that a driver need not know."""


@pytest.mark.parametrize("slot", SLOTS)
def test_what_would_happen_is_said_in_everyday_words(slot: str) -> None:
    other = {"fuel": "gasoline E85"}.get(slot, "{part: B}")
    for fitted in (dict.fromkeys(SLOTS, "same") | {slot: other}, {slot: other}):
        said = answered(fitted)
        (part,) = {one.part: one for one in said.parts}.values()
        assert len(part.without) > 40
        texts = [text.split("For the workshop")[0] for text in (part.without, *said.until, *said.open)]
        assert not [word for text in texts for word in TRADE if word in text]


@settings(max_examples=60, deadline=None)
@given(st.fixed_dictionaries({slot: st.sampled_from(["same", "unknown", "named", "nameless"]) for slot in SLOTS}))
def test_what_is_not_known_is_never_answered_with_no(known: dict[str, str]) -> None:
    parts = {"same": "same", "named": "{part: B}", "nameless": "gasoline E10"}
    fitted = {
        slot: "same" if how == "nameless" and slot != "fuel" else parts[how]
        for slot, how in known.items()
        if how != "unknown" and not (slot == "fuel" and how == "named")
    }
    said = answered(fitted)
    if said.needs == "no":
        assert set(fitted) == set(SLOTS)
        assert not any(one.needs != "no" for one in said.parts)
    else:
        assert any("full power" in one for one in said.until)
    missing = set(SLOTS) - set(fitted)
    assert not missing or (said.needs != "no" and any("The sheet does not say" in one for one in said.open))
    assert "Nothing was measured" in said.open[-1]


def test_a_drive_that_contradicts_the_sheet_settles_nothing(diagnosis: livewatch.Diagnosis) -> None:
    sheet = livewatch.load_build_sheet(livewatch.shipped_folder("profiles") / "brackwell_20t_build.yaml")
    finding = diagnosis.assessment.finding
    fits = replace(finding.verdict, word="fits", established=())
    assessment = replace(diagnosis.assessment, finding=replace(finding, verdict=fits))
    right = replace(diagnosis, assessment=assessment, alarms=())
    said = answer_of(predict(sheet, PROFILE), right)
    assert said.needs == "unknown" and "recalibrated already" in said.disagree


def test_it_can_be_laid_out_for_a_page_and_a_message(diagnosis: livewatch.Diagnosis) -> None:
    said = answered({"air_meter_housing": "{part: '<i>B</i> *x*', bore: 70 mm}"})
    for kind in ("html", "md", "text"):
        page = lay_out(f"answer.{kind}.j2", answer=said, words=WORDS)
        assert said.headline in page and ("<i>B" not in page or kind == "text")
        assert "&lt;i&gt;B" in page or kind != "html"


@pytest.mark.parametrize("name", [name for name in HYPOTHESES if name != "everyday"])
def test_every_cause_has_everyday_words(name: str) -> None:
    words = cause_words(name)
    assert len(words) > 30 and "_" not in words and "trim" not in words
    assert HYPOTHESES[name].remedy.endswith(".")


@pytest.mark.parametrize("slot", SLOTS)
def test_every_part_has_an_everyday_name(slot: str) -> None:
    assert part_words(slot).startswith("the ")
