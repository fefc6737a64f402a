"""After a drive: what the sheet foretold, beside what was measured."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from livewatch.build_sheet.forecast import Forecast, predict
from livewatch.build_sheet.sheet import read_build_sheet
from livewatch.diagnosis.assessment import contradiction_in
from livewatch.diagnosis.comparison import Comparison
from livewatch.diagnosis.drive_file import compare_with_drive
from livewatch.profile import load_profile
from livewatch.profile.shipped import find_profile

PROFILE = load_profile(find_profile("brackwell_20t"))


def predictions(calibrated: str, fitted: str) -> Forecast:
    text = f"build_sheet: 1\nname: x\ncalibrated_for: {{{calibrated}}}\nfitted: {{{fitted}}}\n"
    return predict(read_build_sheet(text, "x.yaml"), PROFILE)


WIDER = ("air_meter_housing: {part: A, bore: 66 mm}", "air_meter_housing: {part: B, bore: 70 mm}")
LARGER = (
    "injectors: {part: A, flow: 440 cm^3/min, at: 300 kPa, dead_time: 0.9 ms}",
    "injectors: {part: B, flow: 550 cm^3/min, at: 300 kPa, dead_time: 1.1 ms}",
)


def measured(
    family: str, cause: str, estimate: float, unit: str, low: float, high: float, **more: Any
) -> dict[str, Any]:
    entry = {"family": family, "cause": cause, "estimate": estimate, "unit": unit, "interval_95": [low, high], **more}
    return {"verdict": "misfit", "causes": [entry]}


def one(compared: list[Comparison]) -> Comparison:
    (comparison,) = compared
    return comparison


def test_a_meter_that_reads_as_low_as_its_bore_says() -> None:
    # Metered area, common practice: 66 to 70 mm reads 11.1 % low.
    said = one(compare_with_drive(predictions(*WIDER), measured("metering", "meter_scale", -10.4, "%", -12.9, -7.9)))
    assert said.agreement == "agrees" and said.sentence.endswith("as foretold.")
    assert (
        said.predicted == pytest.approx(-11.1, abs=0.01) and said.measured == -10.4 and said.interval == (-12.9, -7.9)
    )


def test_a_meter_that_reads_quite_another_way() -> None:
    said = one(compare_with_drive(predictions(*WIDER), measured("metering", "meter_scale", 9.0, "%", 7.0, 11.0)))
    assert said.agreement == "differs" and "not as foretold" in said.sentence


def test_injectors_are_set_beside_flow_and_dead_time_each_by_its_own() -> None:
    drive = measured("injection", "injector_flow", 1.24, "1", 1.21, 1.27)
    drive["causes"].append({"family": "injection", "cause": "injector_dead_time", "estimate": 0.05, "unit": "ms",
                            "interval_95": [0.01, 0.09]})  # fmt: skip
    flow, dead = compare_with_drive(predictions(*LARGER), drive)
    assert (flow.predicted, flow.agreement) == (pytest.approx(1.25), "agrees")
    assert (dead.predicted, dead.agreement) == (pytest.approx(0.2), "differs")


def test_a_part_known_by_name_gets_its_number_from_the_drive() -> None:
    found = predictions("injectors: {part: A, dead_time: 1 ms}", "injectors: {part: B, dead_time: 1 ms}")
    said = one(compare_with_drive(found, measured("injection", "injector_flow", 1.31, "1", 1.28, 1.34)))
    assert said.agreement == "now measured" and said.predicted is None and said.measured == 1.31


def test_boost_before_the_controller_corrects_is_no_overshoot() -> None:
    actuators = ("wastegate_actuator: {part: A, preload: 36 kPa}", "wastegate_actuator: {part: B, preload: 56 kPa}")
    said = one(compare_with_drive(predictions(*actuators), measured("boost", "boost_control", 12.0, "%", 9.0, 15.0)))
    assert said.agreement == "cannot say" and "least boost 20 kPa" in said.sentence and "12 %" in said.sentence


def test_a_dead_time_is_compared_even_where_the_need_it_makes_is_unknown() -> None:
    found = predictions("injectors: {part: A, dead_time: 0.9 ms}", "injectors: {part: A, dead_time: 1.1 ms}")
    said = next(
        c
        for c in compare_with_drive(found, measured("injection", "injector_dead_time", 0.19, "ms", 0.16, 0.22))
        if c.unit
    )
    assert said.cause == "injector_dead_time" and said.agreement == "agrees"


def test_a_difference_that_the_drive_does_not_show_and_a_drive_that_is_too_short() -> None:
    assert one(compare_with_drive(predictions(*WIDER), {"verdict": "fits", "causes": []})).agreement == "not seen"
    assert one(compare_with_drive(predictions(*WIDER), {"verdict": "unproven", "causes": []})).agreement == "cannot say"


def test_what_nothing_on_the_sheet_foretells_is_said_too() -> None:
    drive = measured("air leak", "vacuum_leak", 1.9, "g/s", 1.5, 2.3)
    sheet, leak = compare_with_drive(predictions(*WIDER), drive)
    assert sheet.agreement == "not seen" and leak.agreement == "not predicted" and leak.what == "not on the sheet"
    assert one(compare_with_drive(predictions("fuel: gasoline E10", "fuel: same"), drive)).agreement == "not predicted"


def test_unlikely_causes_and_everyday_ones_do_not_count() -> None:
    drive = measured("metering", "meter_scale", -11.0, "%", -12, -10, probability=0.05)
    drive["causes"].append({"family": "none", "cause": "everyday", "estimate": 0.0, "unit": "%"})
    assert one(compare_with_drive(predictions(*WIDER), drive)).agreement == "not seen"


def test_another_cause_of_the_same_family_is_shown_without_judging_numbers_of_another_kind() -> None:
    said = one(compare_with_drive(predictions(*WIDER), measured("metering", "meter_shape", -14.0, "%", -16, -12)))
    assert said.agreement == "cannot say" and "of the same family" in said.sentence


def test_a_cause_answers_by_its_own_name_first() -> None:
    both = predictions(f"{WIDER[0]}, intake: A", f"{WIDER[1]}, intake: B")
    intake, housing = compare_with_drive(both, measured("metering", "meter_scale", -10.4, "%", -12.9, -7.9))
    assert (intake.agreement, housing.agreement) == ("not seen", "agrees")


def test_words_with_spaces_and_an_interval_under_its_short_name_are_understood() -> None:
    drive = {
        "causes": [{"family": "metering", "cause": "Meter scale", "estimate": -11, "unit": "%", "interval": [-13, -9]}]
    }
    assert one(compare_with_drive(predictions(*WIDER), drive)).agreement == "agrees"


def drive_with(*causes: dict[str, Any], loads: tuple[str, ...] = ("idle", "light load", "high load")) -> dict[str, Any]:
    groups = [{"load": load, "enough": True} for load in loads]
    return {"verdict": "misfit" if causes else "fits", "causes": list(causes), "coverage": {"groups": groups}}


INJECTORS = {
    "family": "injection", "cause": "injector_flow", "title": "the injectors flow more or less than calibrated for",
    "estimate": 1.25, "unit": "1", "interval_95": [1.22, 1.28], "established": True,
}  # fmt: skip


def test_parts_that_the_sheet_calls_the_same_and_the_drive_does_not_are_said_to_contradict() -> None:
    slots = ("injectors: {part: A}", "fuel_pump: {part: A}", "fuel: gasoline E10")
    same = predictions(", ".join(slots), "injectors: same, fuel_pump: same, fuel: same")
    said = one(compare_with_drive(same, drive_with(INJECTORS)))
    assert said.contradicts and said.what == "injectors and fuel pump and fuel" and said.agreement == "not predicted"
    assert "cannot both be right" in said.sentence and said.to_json()["contradicts"] is True
    assert contradiction_in([said]).endswith("injectors and fuel pump and fuel. Look at the parts.")
    # Not said of any part, or only likely: nothing is contradicted.
    some = predictions(", ".join(slots), "injectors: same, fuel: same")
    unsaid = one(compare_with_drive(some, drive_with(INJECTORS)))
    assert not unsaid.contradicts and "does not say what is fitted: fuel pump" in unsaid.sentence
    likely = one(compare_with_drive(same, drive_with(INJECTORS | {"established": False})))
    assert not likely.contradicts and contradiction_in([likely]) == ""


def test_a_leak_is_no_part_and_contradicts_no_sheet() -> None:
    leak = {"family": "air leak", "cause": "vacuum_leak", "estimate": 1.9, "unit": "g/s", "established": True}
    same = predictions("injectors: A, intake: B", "injectors: same, intake: same")
    assert not one(compare_with_drive(same, drive_with(leak))).contradicts


def test_a_bore_on_the_sheet_that_the_drive_neither_shows_nor_measures_so_contradicts() -> None:
    shown = one(compare_with_drive(predictions(*WIDER), drive_with()))
    assert shown.agreement == "not seen" and shown.contradicts
    # 12.5 % are foretold at every load: where none was driven nothing is contradicted.
    assert not one(compare_with_drive(predictions(*WIDER), drive_with(loads=()))).contradicts
    other = {"family": "metering", "cause": "meter_scale", "estimate": 9.0, "unit": "%", "interval_95": [7.0, 11.0]}
    assert one(compare_with_drive(predictions(*WIDER), drive_with(other | {"established": True}))).contradicts
    assert not one(compare_with_drive(predictions(*WIDER), drive_with(other | {"established": False}))).contradicts


def test_parts_that_cancel_each_other_need_not_show() -> None:
    # 66 to 70 mm asks for 12.5 % more fuel, injectors of 495 instead of 440 cm^3/min give 12.5 % more.
    flow = "injectors: {{part: {0}, flow: {1} cm^3/min, at: 300 kPa, dead_time: 0.9 ms}}"
    both = predictions(f"{WIDER[0]}, {flow.format('A', 440)}", f"{WIDER[1]}, {flow.format('B', 495)}")
    said = compare_with_drive(both, drive_with())
    assert [c.agreement for c in said] == ["not seen", "not seen"] and not any(c.contradicts for c in said)


ANYTHING = st.recursive(
    st.none() | st.floats() | st.just(10**400) | st.sampled_from(["metering", "meter_scale", "%", "x"]),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(
        st.sampled_from(["family", "cause", "estimate", "unit", "interval_95", "probability", "groups", "load"]),
        inner,
        max_size=5,
    ),
    max_leaves=12,
)  # fmt: skip
FOUND = predictions(f"{WIDER[0]}, {LARGER[0]}", f"{WIDER[1]}, {LARGER[1]}")


@given(st.dictionaries(st.sampled_from(["causes", "verdict", "coverage"]), ANYTHING, max_size=2))
def test_nothing_in_the_json_makes_it_fail(drive: dict[str, Any]) -> None:
    for comparison in compare_with_drive(FOUND, drive):
        assert comparison.sentence and comparison.to_json()["agreement"] == comparison.agreement
