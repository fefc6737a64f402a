"""Two drives of one car: fixed, better, the same or worse, by what was measured in both."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

import livewatch
from livewatch.diagnosis.change import SystemChange, change_between, changes_over, turn_of, whole_of
from livewatch.diagnosis.measures import Measure
from livewatch.report.comparison import comparison_page
from livewatch.report.layout import lay_out
from livewatch.signature.estimates import Estimate
from livewatch.wording.change import TURN_SENTENCES, WHOLE_SENTENCES

REPLAY = Path(__file__).parents[2] / "replay_data"


def need(before: float, after: float, half: float = 2.5, sizes: tuple[float, float] | None = None) -> Measure:
    """Need in % before and after, each known to within `half`; `sizes` where errors cancel in it."""
    one, other = (Estimate("need", value, "%", value - half, value + half) for value in (before, after))
    change = after - before
    difference = Estimate("difference", change, "%", change - half, change + half)
    return Measure(one, other, difference, sizes or (abs(before), abs(after)), 6.0, 3.0, 4)


@pytest.mark.parametrize(
    ("words", "measures", "turn"),
    [
        (("misfit", "fits"), [need(12.5, -1.5)], "fixed"),
        (("misfit", "unproven"), [need(12.5, 2.0)], "fixed"),
        (("strained", "fits"), [need(8.2, -4.4)], "fixed"),  # a car of -4 % by its tolerances
        (("misfit", "strained"), [need(12.5, 1.0)], "better"),  # an alarm remains that nothing explains
        (("misfit", "misfit"), [need(12.5, 6.5)], "better"),
        (("misfit", "unproven"), [need(12.5, 5.8)], "better"),  # half of it is left, though adaptation takes it
        (("misfit", "misfit"), [need(12.5, 11.0)], "same"),
        (("misfit", "strained"), [need(7.0, 5.5)], "same"),  # words changed, the engine did not
        (("fits", "fits"), [need(-2.0, 3.5)], "same"),  # weather and fuel
        (("fits", "fits"), [need(7.0, 1.0)], "same"),  # a weak pump mended: not what was wrong here
        (("misfit", "strained"), [need(-2.0, 8.0, sizes=(11.0, 12.0))], "same"),  # large injectors hid a weak pump
        (("fits", "misfit"), [need(1.0, 13.0)], "worse"),
        (("misfit", "misfit"), [need(8.0, 15.0)], "worse"),
        (("misfit", "unproven"), [need(13.0, 1.0, half=15.0)], "same"),  # the interval is wider than the difference
        (("misfit", "fits"), [need(13.0, 1.0, half=15.0)], "fixed"),  # but two sure verdicts are evidence as well
        (("misfit", "fits"), [need(8.0, 5.0, half=15.0)], "same"),  # not where the figures hardly differ
        (("misfit", "misfit"), [need(60.0, 10.0), need(10.0, 9.0)], "better"),
        (("misfit", "fits"), [], "fixed"),
        (("strained", "strained"), [], "same"),
        (("misfit", "not seen"), [], "cannot say"),
    ],
)
def test_how_a_system_turned(words: tuple[str, str], measures: list[Measure], turn: str) -> None:
    assert turn_of(*words, measures) == turn


def test_a_car_is_not_fixed_while_a_figure_is_wrong_that_was_seen_too_seldom_for_a_word() -> None:
    mended = SystemChange("fuel at part load", "misfit", "fits", "fixed", (need(-27.0, 2.0),))
    once = SystemChange("boost", "unproven", "unproven", "same", (need(12.2, 12.3),))  # one pull in each drive
    assert whole_of((mended, once)) == "better"
    assert whole_of((mended, replace(once, measures=(need(1.2, 2.3),)))) == "fixed"


def test_what_came_out_of_hiding_is_left_and_not_new() -> None:
    pump = SystemChange("fuel supply", "misfit", "fits", "fixed", ())
    injectors = SystemChange("fuel under load", "misfit", "misfit", "uncovered", (need(-11.7, -21.4),))
    assert whole_of((pump, injectors)) == "better"
    assert whole_of((replace(pump, turn="same"), injectors)) == "worse"


def test_every_turn_has_words() -> None:
    assert set(WHOLE_SENTENCES) == {"fixed", "better", "same", "worse", "cannot say"}
    assert set(TURN_SENTENCES) == {*WHOLE_SENTENCES, "uncovered"}


@pytest.fixture(scope="module")
def mended() -> livewatch.Change:
    """A wider tube, and then the former one: two recorded drives of one car."""
    drives = [
        livewatch.diagnose(REPLAY / f"{name}.log.gz", "brackwell_20t")
        for name in ("larger_intake_bore", "matching_parts")
    ]
    return changes_over(drives)[0]


def test_the_former_tube_put_back_is_fixed(mended: livewatch.Change) -> None:
    assert mended.turn == "fixed"
    turns = {one.system: one.turn for one in mended.systems}
    assert turns["fuel at part load"] == turns["fuel under load"] == "fixed" and turns["fuel supply"] == "same"
    load = next(one for one in mended.systems if one.system == "fuel under load").main
    assert load is not None
    # (66/70)² undone: -11.1 % of need, whatever this car's own tolerances are.
    assert load.difference.low < -11.1 < load.difference.high
    gone = {one.alarm for one in mended.alarms if one.turn == "gone"}
    assert "lean_under_load" in gone and not any(one.turn == "new" for one in mended.alarms)


def test_the_other_way_round_it_is_worse(mended: livewatch.Change) -> None:
    assert change_between(mended.after, mended.before).turn == "worse"


def test_a_drive_against_itself_is_the_same(mended: livewatch.Change) -> None:
    again = change_between(mended.before, mended.before)
    assert again.turn == "same" and all(one.turn == "as often" for one in again.alarms)


def test_it_can_be_laid_out(mended: livewatch.Change) -> None:
    page = lay_out(
        "comparison.html.j2",
        page_of=comparison_page([mended], [mended.before, mended.after], draw=False),
        caution="Mind.",
    )
    assert "FIXED" in page and "Fuel at full power" in page and "lean under load" in page


def test_drives_of_different_vehicles_are_not_compared(mended: livewatch.Change) -> None:
    other = replace(mended.after, profile=livewatch.load_profile("tarn_30t"))
    with pytest.raises(livewatch.UsageError, match=r"another vehicle.*2\.996 L, 6 cylinders"):
        change_between(mended.before, other)


def test_one_drive_is_nothing_to_compare(mended: livewatch.Change) -> None:
    with pytest.raises(livewatch.UsageError, match="expected two or more"):
        changes_over([mended.before])
