"""The form of a build sheet, driven by keys: from nothing to the right sheet, and never a lost answer."""

from __future__ import annotations

from pathlib import Path

import pytest
from textual.pilot import Pilot
from textual.widgets import Input, OptionList, Static

from livewatch.build_sheet.forecast import predict
from livewatch.build_sheet.intake.questions import PARTS, UNKNOWN, Choice
from livewatch.build_sheet.intake.told import Intake
from livewatch.build_sheet.sheet import SAME, load_build_sheet
from livewatch.dashboard.form.app import SheetForm
from livewatch.profile import load_profile
from livewatch.profile.shipped import shipped_folder

CARS = ("brackwell_20t", "harrow_14t", "linden_16", "rowan_12", "tarn_30t")
SMALL, LARGE = (80, 24), (160, 50)


def text_of(app: SheetForm, name: str) -> str:
    return str(app.query_one(f"#{name}", Static).content)


async def answer(pilot: Pilot[None], app: SheetForm, text: str) -> None:
    """Answer the question that is shown, by the keys a person would press."""
    question = app._asked
    assert question is not None
    if isinstance(question.answer, Choice):
        values = [value for _, value in question.answer.options]
        await pilot.press(str((values.index(text) if text in values else len(values)) + 1))
    else:
        app.query_one("#typed", Input).value = "" if text == UNKNOWN else text
        await pilot.press("enter")
    await pilot.pause()


@pytest.mark.parametrize("car", CARS)
async def test_from_nothing_to_the_right_sheet(car: str, tmp_path: Path) -> None:
    profile = load_profile(car)
    right = load_build_sheet(shipped_folder("profiles") / f"{car}_build.yaml")
    answers = {**dict.fromkeys(PARTS, SAME), **Intake(profile, right).said}
    app = SheetForm(Intake(profile, name=right.name), tmp_path / "car.yaml", car, plain=False)
    async with app.run_test(size=SMALL) as pilot:
        for _ in range(60):
            if app._asked is None:
                break
            await answer(pilot, app, answers.get(app._asked.key, UNKNOWN))
        assert "That is all that matters." in text_of(app, "question")
        await pilot.press("1")
    written = load_build_sheet(tmp_path / "car.yaml")
    foretold, wanted = predict(written, profile), predict(right, profile)
    slots = set(app.intake.slots())
    assert [(p.slot, p.cause, p.recalibrate) for p in foretold.predictions] == [
        (p.slot, p.cause, p.recalibrate) for p in wanted.predictions if p.slot in slots
    ]
    assert foretold.is_full_load_advised_against == wanted.is_full_load_advised_against


async def test_what_an_answer_leads_to_stands_below_it_at_once(tmp_path: Path) -> None:
    app = SheetForm(Intake(load_profile("brackwell_20t")), tmp_path / "car.yaml", plain=False)
    async with app.run_test(size=SMALL) as pilot:
        assert "good answer everywhere" in text_of(app, "answer")
        await pilot.press("2")
        await pilot.pause()
        await pilot.press(*"2.75in")
        await pilot.pause()
        assert text_of(app, "understood") == "= 69.85 mm"
        await pilot.press("enter")
        await pilot.pause()
        await answer(pilot, app, "66 mm")
        said = text_of(app, "answer")
        # (69.85/66)² = 1.120
        assert said.startswith("! These parts need another calibration.") and "12.0 % lean" in said
        assert "Not known yet: intake, injectors" in said


async def test_a_number_that_makes_no_sense_is_asked_for_again(tmp_path: Path) -> None:
    app = SheetForm(Intake(load_profile("brackwell_20t")), tmp_path / "car.yaml", plain=False)
    async with app.run_test(size=SMALL) as pilot:
        await pilot.press("2")
        await pilot.pause()
        asked = app._asked
        await answer(pilot, app, "6600 mm")
        assert app._asked is asked and "outside what there is" in text_of(app, "understood")


async def test_half_a_sheet_is_carried_on_with(tmp_path: Path) -> None:
    path = tmp_path / "car.yaml"
    app = SheetForm(Intake(None, name="a car"), path, plain=False)
    async with app.run_test(size=SMALL) as pilot:
        for text in ("turbocharged", "speed_density", "1.4 L", UNKNOWN):
            await answer(pilot, app, text)
        await answer(pilot, app, SAME)
        await pilot.press("ctrl+s")
    again = SheetForm(Intake(None, load_build_sheet(path)), path, plain=False)
    async with again.run_test(size=SMALL) as pilot:
        await pilot.pause()
        assert again._asked is not None and again._asked.key == "engine.cylinders", "the first without an answer"
        await answer(pilot, again, "4")
        assert again._asked.key == "fuel"
        await pilot.press("escape")
        await pilot.pause()
        assert again._asked.key == "injectors"
        assert again.query_one("#choices", OptionList).highlighted == 0, "what was said before"
    assert load_build_sheet(path).engine.numbers["cylinders"].value == 4.0


async def test_enter_alone_claims_nothing(tmp_path: Path) -> None:
    path = tmp_path / "car.yaml"
    app = SheetForm(Intake(load_profile("rowan_12")), path, plain=False)
    async with app.run_test(size=SMALL) as pilot:
        for _ in range(20):
            if app._asked is not None:
                await pilot.press("enter")
                await pilot.pause()
        assert app._asked is None and set(app.intake.said.values()) == {UNKNOWN}
        await pilot.press("enter")
    assert not load_build_sheet(path).same


async def test_nothing_known_ends_in_questions_and_not_in_claims(tmp_path: Path) -> None:
    app = SheetForm(Intake(load_profile("linden_16")), tmp_path / "car.yaml", plain=False)
    async with app.run_test(size=LARGE) as pilot:
        while app._asked is not None:
            await answer(pilot, app, UNKNOWN)
        said = text_of(app, "answer")
        assert "It is not known yet" in said and "No full load yet" in said
        assert app.query_one("#asked", OptionList).display and app.screen.has_class("-wide")
        await pilot.press("2")
        await pilot.pause()
        assert app._asked is not None and app.intake.said == {}


async def test_a_disk_that_takes_nothing_is_said_and_no_answer_is_lost(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "gone" / "car.yaml"
    app = SheetForm(Intake(load_profile("linden_16")), path, plain=False)
    async with app.run_test(size=SMALL) as pilot:
        await answer(pilot, app, SAME)
        assert "not kept: No such file or directory" in text_of(app, "heading")
        path.parent.mkdir()
        await answer(pilot, app, SAME)
        assert "kept in car.yaml" in text_of(app, "heading")
    assert len(load_build_sheet(path).same) == 2


async def test_a_sheet_written_by_hand_is_put_aside_before_it_is_changed(tmp_path: Path) -> None:
    path = tmp_path / "car.yaml"
    text = "# measured by Kay\nbuild_sheet: 1\nname: '[red]x'\ncalibrated_for: {}\nfitted: {downpipe: '[b]a pipe'}\n"
    path.write_text(text)
    app = SheetForm(Intake(load_profile("harrow_14t"), load_build_sheet(path)), path, plain=False)
    async with app.run_test(size=LARGE) as pilot:
        await answer(pilot, app, SAME)
    assert (tmp_path / "car.yaml.before").read_text() == text
    assert load_build_sheet(path).fitted["downpipe"].part == "[b]a pipe"
