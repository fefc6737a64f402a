"""A build told in plain words: only what matters is asked, the sheet is what was said, nothing unknown is claimed."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from livewatch.build_sheet.forecast import predict
from livewatch.build_sheet.intake.answer import Answer, answer_of
from livewatch.build_sheet.intake.questions import OTHER, PARTS, UNKNOWN, Choice, Measure, Question
from livewatch.build_sheet.intake.sheet_text import sheet_text
from livewatch.build_sheet.intake.told import Intake
from livewatch.build_sheet.sheet import SAME, load_build_sheet, read_build_sheet
from livewatch.errors import UsageError
from livewatch.profile import Profile, load_profile
from livewatch.profile.shipped import shipped_folder
from livewatch.profile.units import UnitError

CARS = ("brackwell_20t", "harrow_14t", "linden_16", "rowan_12", "tarn_30t")
NUMBERS = {
    "bore": ("60 mm", "66 mm", "2.75 in"),
    "flow": ("440 cc/min", "600 cc/min", "42 lb/h"),
    "at": ("300 kPa", "3 bar", "58 psi"),
    "dead_time": ("0.9 ms", "1.2 ms"),
    "compressor_wheel": ("45 mm", "54 mm"),
    "most_air_flow": ("200 g/s", "260 g/s"),
    "preload": ("30 kPa", "5.2 psi", "50 kPa"),
    "bleed": ("70 %", "85 %"),
    "set_pressure": ("300 kPa", "400 kPa"),
    "effectiveness": ("60 %", "78 %"),
    "volume": ("5 L", "9 L"),
    "octane": ("95", "98"),
    "part": ("Hollin", "Orrin: no. 7 # [new]"),
    "displacement": ("2.0 L", "1200 cc"),
    "cylinders": ("3", "4", "6"),
}
"""Answers that make sense, by the last word of a question's key. A pump's flow is as large as an injector's here."""


@cache
def profile_of(car: str) -> Profile:
    return load_profile(car)


def tell(intake: Intake, answers: Mapping[str, str], rest: str = UNKNOWN) -> Intake:
    """Answer every question as it comes, by its key; with `rest` what is not in `answers`."""
    while (question := intake.next_question()) is not None:
        text = answers.get(question.key, rest)
        choices = question.answer.options if isinstance(question.answer, Choice) else ()
        if text == SAME and (not choices or question.key not in PARTS):
            text = UNKNOWN
        intake.give(question, text)
    return intake


def told(car: str | None, answers: Mapping[str, str], rest: str = UNKNOWN) -> Answer:
    return answer_of(tell(Intake(None if car is None else profile_of(car)), answers, rest))


def test_what_cannot_matter_is_not_asked() -> None:
    turbo, natural = Intake(profile_of("brackwell_20t")), Intake(profile_of("linden_16"))
    density = Intake(profile_of("harrow_14t"))
    assert turbo.slots()[:3] == ["air_meter_housing", "intake", "injectors"]
    assert not {"turbocharger", "intercooler", "downpipe"} & set(natural.slots())
    assert density.slots()[0] == "injectors" and "intake" not in density.slots()
    assert not any(question.key.startswith("engine") for question in turbo.questions())
    assert [question.key for question in Intake().questions()[:2]] == ["engine.induction", "engine.air_metering"]


def test_the_numbers_of_a_part_are_asked_only_where_it_is_another_one() -> None:
    intake = Intake(profile_of("brackwell_20t"))
    plain = len(intake.questions())
    assert plain == len(intake.slots()), "ten questions, none of them a number"
    housing = intake.questions()[0]
    intake.give(housing, OTHER)
    keys = [question.key for question in intake.questions()]
    assert keys[1:4] == ["air_meter_housing.fitted.bore", "air_meter_housing.calibrated_for.bore",
                         "air_meter_housing.fitted.part"]  # fmt: skip
    intake.give(intake.questions()[1], UNKNOWN)
    assert "air_meter_housing.calibrated_for.bore" not in [question.key for question in intake.questions()]
    intake.give(housing, SAME)
    assert len(intake.questions()) == plain


@pytest.mark.parametrize(
    ("key", "typed", "words"),
    [
        ("air_meter_housing.fitted.bore", "2.75 in", "69.85 mm"),  # 25.4 mm to the inch, by definition (ISO 80000-3)
        ("air_meter_housing.fitted.bore", '2.75"', "69.85 mm"),
        ("air_meter_housing.fitted.bore", "66", "66 mm"),
        ("air_meter_housing.fitted.bore", "66,5", "66.5 mm"),
        ("air_meter_housing.fitted.bore", "66,5 mm", "66.5 mm"),
        ("injectors.fitted.at", "43.5 psi", "299.9 kPa"),  # 6.894757 kPa to the psi (NIST SP 811)
        ("injectors.fitted.flow", "42 lb/h", "426.2 cm^3/min (5.29 g/s of gasoline)"),  # 453.59237 g to the pound
        ("injectors.fitted.flow", "440", "440 cm^3/min (5.46 g/s of gasoline)"),
        ("injectors.fitted.flow", "", "not known"),
    ],
)
def test_units_are_converted_as_they_are_typed(key: str, typed: str, words: str) -> None:
    intake = tell(Intake(profile_of("brackwell_20t")), {"air_meter_housing": OTHER, "injectors": OTHER}, SAME)
    for question in [*intake.questions()]:
        if question.key == key:
            assert intake.understood(question, typed) == words
            return
    question = Question(key, "", "", PARTS[key.split(".")[0]].numbers[key.split(".")[2]][1])
    assert intake.understood(question, typed) == words


@pytest.mark.parametrize("typed", ["wide", "66 kPa", "6600 mm", "-1 mm", "1e999 mm"])
def test_what_makes_no_sense_is_not_taken(typed: str) -> None:
    intake = Intake(profile_of("brackwell_20t"))
    intake.give(intake.questions()[0], OTHER)
    bore = intake.questions()[1]
    with pytest.raises(UnitError):
        intake.give(bore, typed)
    assert bore.key not in intake.said
    with pytest.raises(UsageError, match="none of the answers"):
        intake.give(intake.questions()[0], "perhaps")


@pytest.mark.parametrize("car", CARS)
def test_a_sheet_told_in_plain_words_foretells_what_the_shipped_one_does(car: str) -> None:
    """The five invented cars, each from nothing to the forecast of the sheet that comes with it."""
    profile = profile_of(car)
    shipped = load_build_sheet(shipped_folder("profiles") / f"{car}_build.yaml")
    told = Intake(profile, shipped).said
    answers = {**told, **{slot: told.get(slot, SAME) for slot in PARTS}}
    fresh = tell(Intake(profile, name=shipped.name), answers)
    right, ours = predict(shipped, profile), predict(fresh.sheet(), profile)
    matters = [one for one in right.predictions if one.slot in fresh.slots()]
    assert [(p.slot, p.cause, p.recalibrate) for p in ours.predictions] == [
        (p.slot, p.cause, p.recalibrate) for p in matters
    ]
    assert ours.is_full_load_advised_against == right.is_full_load_advised_against


@pytest.mark.parametrize("path", sorted(shipped_folder("profiles").glob("*_build.yaml")), ids=lambda path: path.stem)
def test_a_sheet_carried_on_with_loses_nothing(path: object) -> None:
    sheet = load_build_sheet(path)  # type: ignore[arg-type]
    again = read_build_sheet(sheet_text(Intake(None, sheet).sheet(sheet.file)), sheet.file)
    assert (again.calibrated_for, again.fitted, again.same) == (sheet.calibrated_for, sheet.fitted, sheet.same)
    assert (again.working_points, again.name) == (sheet.working_points, sheet.name)


def answer(question: Question) -> st.SearchStrategy[str]:
    if isinstance(question.answer, Choice):
        return st.sampled_from([UNKNOWN, *(value for _, value in question.answer.options)])
    return st.sampled_from([UNKNOWN, *NUMBERS[question.key.split(".")[-1]]])


def filled_in(intake: Intake, data: st.DataObject) -> Intake:
    """The same build once everything that was not known has been found out."""
    whole = Intake(intake.profile)
    whole.said.update({key: text for key, text in intake.said.items() if text != UNKNOWN})
    for _ in range(200):
        question = whole.next_question()
        if question is None:
            break
        known = answer(question).filter(lambda text: text != UNKNOWN)
        whole.give(question, data.draw(known))
    return whole


@settings(max_examples=40, deadline=None)
@given(car=st.sampled_from([None, *CARS]), data=st.data())
def test_no_answer_claims_more_than_is_known(car: str | None, data: st.DataObject) -> None:
    """Whatever is not known, and whatever it turns out to be: what was claimed before still holds."""
    intake = Intake(None if car is None else profile_of(car))
    while (question := intake.next_question()) is not None and data.draw(st.integers(0, 30)):
        intake.give(question, data.draw(answer(question)))
    before = answer_of(intake)
    open_questions = [one.key for one in intake.questions() if intake.said.get(one.key, UNKNOWN) == UNKNOWN]
    slots = set(intake.slots())
    if any(key in slots for key in open_questions):
        assert before.recalibrate != "no" and before.full_load != "nothing speaks against it"
    whole = filled_in(intake, data)
    after = answer_of(whole)
    if before.recalibrate != "unknown":
        assert after.recalibrate == before.recalibrate
    if before.full_load == "nothing speaks against it":
        assert after.full_load == before.full_load
    again = read_build_sheet(sheet_text(intake.sheet("x.yaml")), "x.yaml")
    assert answer_of(Intake(intake.profile, again)) == before, "kept on disk it is the same build"


def test_nothing_known_is_no_answer_and_all_the_same_is_a_good_one() -> None:
    assert told(None, {}).recalibrate == "unknown" and told(None, {}).full_load == "unknown"
    for car in CARS:
        assert told(car, {}).recalibrate == told(car, {}).full_load == "unknown"
        right = told(car, {}, SAME)
        assert (right.recalibrate, right.full_load, right.unknown) == ("no", "nothing speaks against it", ())


def test_one_certain_difference_answers_the_question_whatever_else_is_unknown() -> None:
    bores = {"air_meter_housing": OTHER, "air_meter_housing.fitted.bore": "70 mm",
             "air_meter_housing.calibrated_for.bore": "66 mm"}  # fmt: skip
    found = told("brackwell_20t", bores)
    assert found.recalibrate == "yes" and found.full_load == "advised against"
    assert "12.5 % lean" in found.reasons[0]  # (70/66)² = 1.125
    engine = {"engine.induction": "turbocharged", "engine.air_metering": "mass_air_flow"}
    assert told(None, {**bores, **engine}).recalibrate == "yes"
    assert told(None, bores).recalibrate == "unknown", "without an air meter its housing would not matter"


def test_what_hangs_on_an_engine_nobody_knows_is_not_said_to_be_so() -> None:
    bores = {"air_meter_housing": OTHER, "air_meter_housing.fitted.bore": "70 mm",
             "air_meter_housing.calibrated_for.bore": "66 mm"}  # fmt: skip
    found = told(None, bores)
    assert found.full_load == "advised against" and "it may be that at full load" in found.reasons[0]
    assert not any(one.is_sure for one in found.consequences)
    metered = told(None, {**bores, "engine.air_metering": "mass_air_flow"})
    assert "it may be" not in metered.reasons[0] and metered.consequences[0].is_sure


def test_what_was_not_known_can_be_asked_again() -> None:
    intake = tell(Intake(profile_of("linden_16")), {"fuel": SAME})
    assert intake.next_question() is None
    intake.ask_unknown_again()
    question = intake.next_question()
    assert question is not None and question.key == "air_meter_housing" and intake.said == {"fuel": SAME}


def test_an_engine_that_was_asked_about_is_kept_in_the_sheet() -> None:
    answers = {"engine.induction": "turbocharged", "engine.displacement": "1.8 L", "engine.cylinders": "4"}
    intake = tell(Intake(name='a "car": new'), answers)
    text = sheet_text(intake.sheet("car.yaml"))
    again = read_build_sheet(text, "car.yaml")
    assert again.engine.induction == "turbocharged" and again.engine.air_metering is None
    assert again.name == 'a "car": new' and set(again.unknown) == set(intake.slots())
    assert isinstance(Intake(None, again).questions()[2].answer, Measure)
    assert "# Asked about, and nobody knew." in text
