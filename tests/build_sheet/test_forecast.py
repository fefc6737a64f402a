"""What a sheet foretells: how serious, on which engine, how much of the trims it takes, and whether full load waits."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from livewatch.build_sheet.forecast import Forecast, predict
from livewatch.build_sheet.prediction import Prediction
from livewatch.build_sheet.sheet import read_build_sheet
from livewatch.errors import MistakesError
from livewatch.profile import Profile, load_profile
from livewatch.profile.shipped import find_profile

PROFILES: dict[str, Profile] = {}


def profile_of(name: str) -> Profile:
    if name not in PROFILES:
        PROFILES[name] = load_profile(find_profile(name))
    return PROFILES[name]


def foretold(calibrated: str, fitted: str, car: str = "brackwell_20t", points: str = "{}") -> Forecast:
    text = (
        f"build_sheet: 1\nname: x\ncalibrated_for: {{{calibrated}}}\nfitted: {{{fitted}}}\nworking_points: {points}\n"
    )
    return predict(read_build_sheet(text, "x.yaml"), profile_of(car))


def only(forecast: Forecast) -> Prediction:
    (prediction,) = forecast.predictions
    return prediction


HOUSING = "air_meter_housing: {part: A, bore: 66 mm}"
INJECTORS = "injectors: {part: A, flow: 596 cm^3/min, at: 300 kPa, dead_time: 0.95 ms}"


def test_a_wider_meter_housing_on_an_engine_with_an_air_meter() -> None:
    forecast = foretold(HOUSING, "air_meter_housing: {part: B, bore: 70 mm}")
    found = only(forecast)
    # Metered area, common practice: (70/66)² = 1.1249, and the meter reads 1/1.1249 - 1 = -11.1 %.
    assert found.need == pytest.approx(dict.fromkeys(("idle", "cruise", "full load"), 1.1249), abs=5e-5)
    assert found.size["reading error"] == (pytest.approx(-11.1, abs=0.01), "%")
    assert (found.family, found.cause, found.recalibrate, found.severity) == (
        "metering", "meter_scale", "yes", "serious",
    )  # fmt: skip
    assert found.refuse and "12.5 % lean" in found.refuse
    # Of the Brackwell's 20 % of long term trim 12.5 are taken; of 25 % in all the half; 1.25/1.1249 leave 11.1 %.
    use = forecast.authority[0]
    assert (use.long_share, use.share, use.left) == (
        pytest.approx(0.1249 / 0.20, abs=1e-3), pytest.approx(0.1249 / 0.25, abs=1e-3), pytest.approx(11.1, abs=0.05),
    )  # fmt: skip
    assert use.is_complete and forecast.is_full_load_advised_against
    # Without correction 0.82 (assumed) becomes 0.82 * 1.1249.
    assert forecast.uncorrected_lambda == (0.82, pytest.approx(0.922, abs=1e-3))


def test_the_same_housing_on_speed_density_hardly_matters() -> None:
    forecast = foretold(
        f"{HOUSING}, intake: A", "air_meter_housing: {part: B, bore: 70 mm}, intake: B", car="harrow_14t"
    )
    assert {p.severity for p in forecast.predictions} == {"slight"}
    assert {p.recalibrate for p in forecast.predictions} == {"no"}
    assert not forecast.refusals and forecast.authority[0].need == 1.0


def test_a_smaller_housing_reads_high_and_is_wrong_without_being_dangerous() -> None:
    forecast = foretold(HOUSING, "air_meter_housing: {part: B, bore: 63 mm}")
    found = only(forecast)
    assert found.need["idle"] == pytest.approx((63 / 66) ** 2)
    assert found.size["reading error"][0] > 0 and "reads 9.8 % too much" in found.why
    assert found.recalibrate == "yes" and not forecast.refusals


def test_an_intake_of_another_maker_is_another_part_of_unknown_size() -> None:
    forecast = foretold("intake: {part: A, bore: 60 mm}", "intake: B", car="linden_16")
    found = only(forecast)
    assert found.recalibrate == "unknown" and found.is_unknown_need and not found.need
    assert "`bore` of the fitted part" in found.missing[0]
    assert forecast.refusals and not forecast.authority[0].is_complete


def test_an_intake_with_a_bore_and_no_housing_is_where_the_meter_sits() -> None:
    found = only(foretold("intake: {part: A, bore: 60 mm}", "intake: {part: B, bore: 62 mm}", car="linden_16"))
    assert found.cause == "meter_scale" and found.need["idle"] == pytest.approx((62 / 60) ** 2)


def test_an_intake_before_the_same_housing_changes_the_shape_only() -> None:
    found = only(
        foretold(
            f"intake: {{part: A, bore: 66 mm}}, {HOUSING}", "intake: {part: B, bore: 80 mm}, air_meter_housing: same"
        )
    )
    assert found.cause == "meter_shape" and not found.need and found.is_unknown_need and found.refuse


def test_a_part_without_a_name_is_not_taken_for_the_one_with_a_name() -> None:
    assert foretold("intake: {bore: 66 mm}", "intake: {part: B, bore: 66 mm}").predictions
    assert foretold(HOUSING, "air_meter_housing: {bore: 66 mm}").predictions
    assert not foretold("intake: {bore: 66 mm}", "intake: {bore: 66 mm}").predictions
    assert not foretold("intake: airbox  a", "intake: Airbox A").predictions


def test_injectors_are_compared_at_one_pressure() -> None:
    # Bernoulli, common practice: 440 cm³/min at 300 kPa are 440 * 1.1547 = 508.07 at 400 kPa.
    same = foretold(
        "injectors: {part: A, flow: 440 cm^3/min, at: 300 kPa, dead_time: 0.9 ms}",
        "injectors: {part: B, flow: 508.07 cm^3/min, at: 400 kPa, dead_time: 0.9 ms}",
    )
    assert only(same).need["full load"] == pytest.approx(1.0, abs=1e-4) and only(same).recalibrate == "no"
    larger = foretold(
        "injectors: {part: A, flow: 440 cm^3/min, at: 300 kPa, dead_time: 0.9 ms}",
        "injectors: {part: B, flow: 550 cm^3/min, at: 300 kPa, dead_time: 0.9 ms}",
    )
    assert only(larger).need["idle"] == pytest.approx(0.8)
    assert only(larger).size["flow ratio"] == (pytest.approx(1.25), "1")
    assert larger.refusals and "20.0 % rich" in larger.refusals[0]
    smaller = foretold(
        "injectors: {part: A, flow: 440 cm^3/min, at: 300 kPa, dead_time: 0.9 ms}",
        "injectors: {part: B, flow: 400 cm^3/min, at: 300 kPa, dead_time: 0.9 ms}",
    )
    assert only(smaller).need["idle"] == pytest.approx(1.1) and smaller.refusals


def test_a_flow_without_its_pressure_is_no_flow() -> None:
    forecast = foretold(INJECTORS, "injectors: {part: B, flow: 596 cm^3/min, dead_time: 0.95 ms}")
    found = only(forecast)
    assert found.recalibrate == "unknown" and "`at` of the fitted part" in found.missing[0] and forecast.refusals


def test_dead_time_is_worst_at_idle_and_small_at_full_load() -> None:
    points = "{idle: {speed: 760 rpm}, full_load: {manifold_pressure: 180 kPa, commanded_lambda: 0.80}}"
    forecast = foretold(
        INJECTORS, "injectors: {part: A, flow: 596 cm^3/min, at: 300 kPa, dead_time: 1.15 ms}", points=points
    )
    dead = next(p for p in forecast.predictions if p.cause == "injector_dead_time")
    assert dead.size["dead time error"] == (pytest.approx(0.2), "ms")
    # By hand: idle air 1.2 g/s a litre (common practice), 2.398 g/s over 25.33 cycles a second, 0.0946 g in each,
    # 6.757 mg of E10 (14.010), 0.913 ms at 7.40 g/s: 0.2 ms are 21.9 %. At full load (Heywood eq. 2.27) 0.90 * 0.4995 L
    # * 180 kPa / (287.05 * 323.15 K) = 0.8723 g, 77.8 mg at lambda 0.80, 10.52 ms: 1.9 %.
    assert dead.need["idle"] == pytest.approx(1 + 0.2 / 0.913, abs=1e-3)
    assert dead.need["full load"] == pytest.approx(1 + 0.2 / 10.52, abs=1e-4)
    assert dead.need["idle"] > dead.need["cruise"] > dead.need["full load"]
    assert "supply voltage" in dead.notes[0]


def test_a_missing_dead_time_is_named_and_not_guessed() -> None:
    forecast = foretold(INJECTORS, "injectors: {part: B, flow: 596 cm^3/min, at: 300 kPa}")
    dead = next(p for p in forecast.predictions if p.cause == "injector_dead_time")
    assert dead.recalibrate == "unknown" and "`dead_time` of the fitted part" in dead.missing[0]
    assert not forecast.authority[0].is_complete


def test_rail_pressure_is_injector_flow() -> None:
    pump = "fuel_pump: {{part: A, flow: 94 L/h, at: 400 kPa, set_pressure: {} kPa, referenced_to: {}}}"
    raised = foretold(pump.format(300, "manifold"), pump.format(400, "manifold"))
    found = next(p for p in raised.predictions if p.family == "injection")
    # Bernoulli, common practice: 1/1.1547 of the opening time.
    assert found.need["full load"] == pytest.approx(1 / 1.1547, abs=1e-4)
    points = "{full_load: {manifold_pressure: 201.325 kPa}}"
    moved = foretold(pump.format(400, "manifold"), pump.format(400, "atmosphere"), points=points)
    lean = next(p for p in moved.predictions if p.family == "injection")
    # By hand: 100 kPa of boost leave 300 of 400 kPa across the injectors.
    assert lean.need["full load"] == pytest.approx((400 / 300) ** 0.5, abs=1e-4) and lean.need["idle"] < 1.0


def test_a_rail_pressure_that_boost_would_overcome_is_noticed() -> None:
    pump = "fuel_pump: {part: A, set_pressure: 80 kPa, referenced_to: %s}"
    forecast = foretold(pump % "manifold", pump % "atmosphere", points="{full_load: {manifold_pressure: 200 kPa}}")
    assert "leaves nothing across the injectors at full load" in forecast.cautions[0] and forecast.refusals


def test_two_differences_multiply_and_may_cancel_without_being_forgiven() -> None:
    forecast = foretold(
        f"{HOUSING}, {INJECTORS}",
        "air_meter_housing: {part: B, bore: 70 mm}, "
        "injectors: {part: B, flow: 670.4 cm^3/min, at: 300 kPa, dead_time: 0.95 ms}",
    )
    assert forecast.authority[2].need == pytest.approx(1.0, abs=1e-3)
    assert [p.recalibrate for p in forecast.predictions] == ["yes", "yes"] and forecast.refusals


def test_small_differences_add_up_to_a_refusal() -> None:
    forecast = foretold(
        f"{HOUSING}, fuel: gasoline E10", "air_meter_housing: {part: B, bore: 67.5 mm}, fuel: gasoline E20"
    )
    assert not any(p.refuse for p in forecast.predictions)
    assert len(forecast.refusals) == 1 and forecast.refusals[0].startswith("all differences together")


def test_e85_takes_more_than_there_is() -> None:
    forecast = foretold("fuel: {name: gasoline E10, octane: 98}", "fuel: {ethanol: 85 %, octane: 104}")
    assert only(forecast).need["idle"] == pytest.approx(1.399, abs=1e-3)
    assert forecast.authority[0].left < 0 and forecast.authority[0].share > 1 and forecast.refusals


def test_a_little_less_ethanol_is_everyday() -> None:
    forecast = foretold("fuel: {name: gasoline E10, octane: 98}", "fuel: {name: gasoline E5, octane: 98}")
    found = only(forecast)
    assert (found.family, found.recalibrate, found.severity) == ("none", "no", "slight") and not forecast.refusals


def test_lower_octane_is_refused_under_boost_and_cautioned_without() -> None:
    fuels = ("fuel: {name: gasoline E10, octane: 98}", "fuel: {name: gasoline E10, octane: 91}")
    assert foretold(*fuels).refusals
    natural = foretold(*fuels, car="linden_16")
    assert not natural.refusals and only(natural).severity == "moderate"


@pytest.mark.parametrize(
    ("slot", "cause"),
    [("injectors", "injector_flow"), ("fuel_pump", "fuel_supply"), ("turbocharger", "boost_control"),
     ("wastegate_actuator", "boost_control"), ("boost_control_solenoid", "boost_control"), ("downpipe", "boost_creep"),
     ("fuel", "injector_flow")],
)  # fmt: skip
def test_a_part_known_by_name_only_is_of_unknown_size_and_holds_full_load_back(slot: str, cause: str) -> None:
    # "Parts that need a matching calibration", common practice, no source.
    value = "{part: A}", "{part: B}"
    forecast = foretold(f"{slot}: {value[0]}", f"{slot}: {value[1]}")
    assert cause in {p.cause for p in forecast.predictions}
    assert all(p.missing and not p.need for p in forecast.predictions)
    assert forecast.refusals


def test_a_stiffer_actuator_overboosts_and_a_softer_one_falls_short() -> None:
    actuator = "wastegate_actuator: {{part: {}, preload: {} kPa}}"
    stiff = foretold(actuator.format("A", 36), actuator.format("B", 56))
    assert only(stiff).size["boost at calibrated duty"][0] == pytest.approx(55.6, abs=0.1) and stiff.refusals
    soft = foretold(actuator.format("A", 36), actuator.format("B", 26))
    assert only(soft).cause == "underboost" and not soft.refusals and only(soft).recalibrate == "yes"


def test_a_solenoid_is_foretold_with_the_boost_it_has_to_hold() -> None:
    calibrated = "boost_control_solenoid: {part: A, bleed: 80 %}, wastegate_actuator: {part: A, preload: 40 kPa}"
    fitted = "boost_control_solenoid: {part: B, bleed: 100 %}, wastegate_actuator: same"
    points = "{full_load: {manifold_pressure: 201.325 kPa}}"
    known = foretold(calibrated, fitted, points=points)
    # By hand: 100 kPa asked, duty 75 %, so 40/(1 - 0.75) = 160 kPa.
    assert only(known).size["boost at calibrated duty"] == (pytest.approx(60.0), "%")
    unknown = foretold(calibrated, fitted)
    assert "working_points: full_load" in only(unknown).missing[0] and unknown.refusals
    less = foretold(calibrated, fitted.replace("100 %", "70 %"))
    assert only(less).recalibrate == "yes" and not less.refusals


def test_a_freer_downpipe_risks_boost_creep_behind_a_turbine_only() -> None:
    pipes = ("downpipe: {part: A, bore: 60 mm}", "downpipe: {part: B, bore: 72 mm}")
    turbo = foretold(*pipes)
    assert only(turbo).cause == "boost_creep" and only(turbo).severity == "serious" and turbo.refusals
    natural = foretold(*pipes, car="linden_16")
    assert only(natural).severity == "slight" and not natural.refusals
    narrower = foretold(pipes[0], "downpipe: {part: B, bore: 50 mm}")
    assert only(narrower).cause == "underboost" and not narrower.refusals


def test_boost_on_an_engine_without_any_is_refused() -> None:
    forecast = foretold("", "turbocharger: B", car="linden_16")
    assert forecast.refusals and "naturally aspirated" in only(forecast).why


def test_a_hotter_charge_is_said_in_degrees() -> None:
    forecast = foretold(
        "intercooler: {part: A, effectiveness: 80 %, volume: 7 L}",
        "intercooler: {part: B, effectiveness: 60 %, volume: 12 L}",
        points="{full_load: {manifold_pressure: 200 kPa}}",
    )
    found = only(forecast)
    # By hand: 88.8 K of compression (isentropic efficiency 0.72), a fifth of it more.
    assert found.size["charge temperature"] == (pytest.approx(17.8, abs=0.1), "K")
    assert found.recalibrate == "yes" and found.cause == "boost_control" and not forecast.refusals


PUMP = "fuel_pump: {{part: {}, flow: {} L/h, at: 400 kPa, set_pressure: 400 kPa, referenced_to: atmosphere}}"


def test_fuel_supply_headroom_by_hand() -> None:
    points = "{full_load: {air_flow: 200 g/s, speed: 6000 rpm, manifold_pressure: 201.325 kPa, commanded_lambda: 0.80}}"
    supply = foretold(
        f"{INJECTORS}, {PUMP.format('A', 94)}, fuel: gasoline E10",
        "injectors: same, fuel_pump: same, fuel: same",
        points=points,
    ).supply
    # By hand: 200/(14.010 * 0.80) = 17.84 g/s of fuel. 94 L/h * 0.745 kg/L = 19.45 g/s, so 9.0 % are left and
    # 218.0 g/s of air. Injectors: 4 * 7.40 g/s (300 kPa across) * (0.85 - 0.95/20), density of E10 in a root: 23.8 g/s.
    assert supply.fuel == pytest.approx(17.84, abs=0.01)
    assert supply.pump == pytest.approx(19.45, abs=0.01)
    assert supply.injectors == pytest.approx(4 * 7.4003 * (0.85 - 0.95 / 20) * (0.7494 / 0.745) ** 0.5, rel=1e-4)
    assert supply.headroom == pytest.approx(0.0904, abs=1e-3) and supply.air_reach == pytest.approx(218.1, abs=0.2)


def test_a_weaker_pump_is_refused_where_it_ends_before_full_load() -> None:
    points = "{full_load: {speed: 6500 rpm, manifold_pressure: 180 kPa, commanded_lambda: 0.80}}"
    calibrated = f"{INJECTORS}, {PUMP.format('A', 94)}, fuel: gasoline E10"
    rest = ", injectors: same, fuel: same"
    weak = foretold(calibrated, PUMP.format("B", 70) + rest, points=points)
    assert only(weak).severity == "serious" and any(r.startswith("fuel supply:") for r in weak.refusals)
    enough = foretold(calibrated, PUMP.format("B", 91) + rest, points=points)
    assert only(enough).recalibrate == "no" and not enough.refusals
    stronger = foretold(calibrated, PUMP.format("B", 120) + rest, points=points)
    assert only(stronger).severity == "slight" and not stronger.refusals


def test_a_pump_given_against_less_than_it_works_against_is_not_known() -> None:
    pump = "fuel_pump: {part: A, flow: 120 L/h, at: 300 kPa, set_pressure: 300 kPa, referenced_to: manifold}"
    supply = foretold(pump, "fuel_pump: same", points="{full_load: {manifold_pressure: 201.325 kPa}}").supply
    # A regulator referenced to the manifold makes the pump push against set pressure and boost: 400 kPa.
    assert supply.pump is None and any("against 400 kPa" in missing for missing in supply.missing)


def test_what_the_sheet_does_not_say_is_listed() -> None:
    forecast = foretold("", "fuel: same")
    assert "turbocharger" in forecast.not_compared and "fuel" not in forecast.not_compared
    assert "turbocharger" not in foretold("", "fuel: same", car="linden_16").not_compared
    assert not forecast.predictions and not forecast.refusals
    assert "does not state boost at full load" in forecast.cautions[0]


def test_sheet_and_profile_that_contradict_each_other_are_noticed() -> None:
    forecast = foretold("fuel: gasoline E85", "fuel: same", points="{full_load: {manifold_pressure: 180 kPa}}")
    assert len(forecast.cautions) == 1 and "one of them is wrong" in forecast.cautions[0]


def test_a_profile_without_an_engine_cannot_answer() -> None:
    sheet = read_build_sheet("build_sheet: 1\nname: x\ncalibrated_for: {}\nfitted: {}\n", "x.yaml")
    with pytest.raises(MistakesError, match="has no `engine:`"):
        predict(sheet, replace(profile_of("brackwell_20t"), engine=None))


BORES = st.floats(40, 120).map(lambda bore: round(bore, 2))


@given(BORES, BORES)
def test_lean_is_always_refused_from_six_per_cent_on(calibrated: float, fitted: float) -> None:
    forecast = foretold(
        f"air_meter_housing: {{part: A, bore: {calibrated} mm}}", f"air_meter_housing: {{part: B, bore: {fitted} mm}}"
    )
    need = (fitted / calibrated) ** 2
    if need >= 1.0601:
        assert forecast.refusals
    if 0.86 < need < 1.0599:
        assert not forecast.refusals


@given(st.sets(st.sampled_from(["intake", "injectors", "fuel_pump", "turbocharger", "downpipe", "fuel"])))
def test_saying_same_everywhere_is_fine_whatever_the_parts_are(slots: set[str]) -> None:
    said = ", ".join(f"{slot}: {{part: A}}" for slot in sorted(slots))
    forecast = foretold(said, ", ".join(f"{slot}: same" for slot in sorted(slots)))
    assert not forecast.predictions and not forecast.refusals
    assert all(use.need == 1.0 and use.share == 0.0 for use in forecast.authority)


@pytest.mark.parametrize("car", ["brackwell_20t", "harrow_14t", "linden_16", "tarn_30t", "rowan_12"])
def test_every_shipped_car_answers_to_every_part(car: str) -> None:
    slots = ("intake", "air_meter_housing", "injectors", "fuel_pump", "turbocharger", "wastegate_actuator",
             "boost_control_solenoid", "downpipe", "intercooler")  # fmt: skip
    forecast = foretold(
        ", ".join(f"{slot}: A" for slot in slots), ", ".join(f"{slot}: B" for slot in slots) + ", fuel: methanol", car
    )
    assert {p.slot for p in forecast.predictions} == {*slots, "fuel"}
    assert all(p.why and p.found for p in forecast.predictions) and forecast.refusals
    said = forecast.to_json()
    assert said["full_load"]["advised_against"] is True and len(said["differences"]) == len(forecast.predictions)


def test_the_answer_is_the_same_every_time() -> None:
    ask: Callable[[], object] = lambda: foretold(  # noqa: E731
        f"{HOUSING}, {INJECTORS}", "air_meter_housing: {part: B, bore: 70 mm}, injectors: B"
    ).to_json()
    assert ask() == ask()


def _number(low: float, high: float, unit: str) -> st.SearchStrategy[str]:
    return st.floats(low, high).map(lambda value: f"{value:.4g} {unit}".strip())


NUMBERS: dict[str, dict[str, st.SearchStrategy[str]]] = {
    "intake": {"bore": _number(40, 90, "mm")},
    "air_meter_housing": {"bore": _number(40, 90, "mm")},
    "injectors": {"flow": _number(150, 2000, "cm^3/min"), "at": _number(250, 500, "kPa"),
                  "dead_time": _number(0, 3, "ms"), "dead_time_at": _number(12, 14, "V")},
    "fuel_pump": {"flow": _number(20, 400, "L/h"), "at": _number(200, 600, "kPa"),
                  "set_pressure": _number(60, 600, "kPa"),
                  "referenced_to": st.sampled_from(["manifold", "atmosphere"])},
    "turbocharger": {"compressor_wheel": _number(30, 90, "mm"), "most_air_flow": _number(50, 600, "g/s")},
    "wastegate_actuator": {"preload": _number(10, 200, "kPa")},
    "boost_control_solenoid": {"bleed": _number(1, 100, "%")},
    "downpipe": {"bore": _number(40, 110, "mm")},
    "intercooler": {"effectiveness": _number(1, 100, "%"), "volume": _number(1, 20, "L")},
    "fuel": {"name": st.sampled_from(["gasoline E10", "E85", "methanol", "propane"]), "octane": _number(85, 110, "")},
}  # fmt: skip
SIDE = st.fixed_dictionaries(
    {},
    optional={
        slot: st.fixed_dictionaries({"part": st.sampled_from("AB")}, optional=numbers)
        for slot, numbers in NUMBERS.items()
    },
)
POINTS = st.fixed_dictionaries({}, optional={"full_load": st.fixed_dictionaries({}, optional={
    "manifold_pressure": _number(90, 300, "kPa"), "speed": _number(4000, 9000, "rpm"),
})})  # fmt: skip


@given(SIDE, SIDE, POINTS, st.sampled_from(["brackwell_20t", "harrow_14t", "linden_16"]))
def test_any_two_lists_of_parts_get_an_answer(calibrated: object, fitted: object, points: object, car: str) -> None:
    text = json.dumps(
        {"build_sheet": 1, "name": "x", "calibrated_for": calibrated, "fitted": fitted, "working_points": points}
    )
    forecast = predict(read_build_sheet(text, "x.yaml"), profile_of(car))
    json.dumps(forecast.to_json(), allow_nan=False)
    assert forecast.is_full_load_advised_against == bool(forecast.refusals)
    for prediction in forecast.predictions:
        assert prediction.found and prediction.why
        assert all(need > 0.0 for need in prediction.need.values())
        assert prediction.recalibrate != "unknown" or prediction.missing or prediction.notes
    for use in forecast.authority:
        assert (use.left >= 0.0) == (use.share <= 1.0 + 1e-9)
