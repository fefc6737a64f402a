"""Channels that are missing, stand still or come in other units: said, and never taken for a verdict."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from livewatch.data.samples import Quality
from livewatch.diagnosis.page import page
from livewatch.signature import Signature
from livewatch.signature.gathered import unusable_with


def said_of(lab: Any, change: Any, fault: Any = None) -> Any:
    arrays = lab.Bench().tour(fault or lab.Fault(), rounds=6).arrays()
    change(arrays)
    return lab.judged(arrays).finding()


@pytest.mark.parametrize(
    ("name", "change", "words"),
    [
        ("short_term_fuel_trim_1", lambda c: 1.0 + c / 100.0, "looks like a factor"),
        ("long_term_fuel_trim_1", lambda c: 1.05 + c / 100.0, "looks like a factor"),
        ("short_term_fuel_trim_1", lambda c: c / 100.0, "looks like a share"),
        ("lambda_1", lambda c: 14.7 * c, "air-fuel ratio"),
        ("commanded_lambda", lambda c: 14.7 * c, "air-fuel ratio"),
        ("manifold_pressure", lambda c: c - 101.3, "not absolute"),
        ("manifold_pressure", lambda c: c / 100.0, "bar"),
        ("coolant_temperature", lambda c: c * 1.8 + 32.0, "degF"),
        ("charge_air_temperature", lambda c: c + 273.15, "looks like K"),
        ("engine_speed", lambda c: c / 60.0, "turns a second"),
    ],
)
def test_mixed_up_units_are_noticed_from_the_values_and_nothing_is_found_to_fit(
    lab: Any, name: str, change: Any, words: str
) -> None:
    def apply(arrays: dict[str, np.ndarray]) -> None:
        arrays[name] = change(arrays[name])

    said = said_of(lab, apply)
    found = {one.channel: one.problem for one in said.mixed_up}
    assert words in found[name]
    assert said.verdict.word == "unproven"
    assert name in page(said)


@pytest.mark.parametrize(
    ("name", "value"), [("commanded_lambda", 0.0), ("boost_pressure", 101.0), ("injector_pulse_width", 3.0)]
)
def test_a_channel_that_cannot_be_true_is_named_first_and_judged_without(lab: Any, name: str, value: float) -> None:
    """Injectors that deliver 18 % less: need of 1 / 0.82 (check value) is found without the channel, too."""
    arrays = lab.Bench().tour(lab.Fault(delivered=lambda point, pulse: 0.82), rounds=4).arrays()
    arrays[name][:] = value
    said = lab.judged(arrays).finding()
    assert said.mixed_up[0].channel == name
    assert said.sentence.startswith(f"Judged without {name.replace('_', ' ')}:")
    assert said.verdict.word == "misfit"
    assert said.need.value == pytest.approx(100.0 * (1.0 / 0.82 - 1.0), abs=1.5)


def test_either_trim_is_worth_nothing_without_the_other() -> None:
    both = {"short_term_fuel_trim_2", "long_term_fuel_trim_2"}
    assert unusable_with({"long_term_fuel_trim_2"}) == both
    assert unusable_with({"short_term_fuel_trim_2", "lambda_1"}) == both | {"lambda_1"}
    assert unusable_with(()) == frozenset()


def test_a_meter_that_reads_3_6_times_what_the_cylinders_hold_is_taken_for_kg_an_hour(lab: Any) -> None:
    def apply(arrays: dict[str, np.ndarray]) -> None:
        arrays["mass_air_flow"] = 3.6 * arrays["mass_air_flow"]

    found = {one.channel: one.problem for one in said_of(lab, apply).mixed_up}
    assert "kg/h" in found["mass_air_flow"]


def test_gauge_pressure_before_the_throttle_is_noticed(lab: Any) -> None:
    def apply(arrays: dict[str, np.ndarray]) -> None:
        arrays["boost_pressure"] = arrays["boost_pressure"] - 101.3

    said = said_of(lab, apply)
    assert "gauge pressure" in {one.channel: one.problem for one in said.mixed_up}["boost_pressure"]
    assert said.verdict.word == "unproven"


def test_right_units_raise_no_doubt(lab: Any) -> None:
    assert said_of(lab, lambda arrays: None).mixed_up == ()
    wrong = lab.Fault(metered=lambda point: 0.8)
    assert said_of(lab, lambda arrays: None, wrong).mixed_up == ()


@pytest.mark.parametrize("name", ["lambda_1", "mass_air_flow", "manifold_pressure"])
def test_a_channel_that_stands_still_while_the_engine_moves_is_not_believed(lab: Any, name: str) -> None:
    def apply(arrays: dict[str, np.ndarray]) -> None:
        arrays[name][:] = arrays[name][0]

    said = said_of(lab, apply)
    assert "not believed" in {one.channel: one.problem for one in said.mixed_up}[name]
    assert said.verdict.word == "unproven"


@pytest.mark.parametrize(
    ("without", "words"),
    [
        (("mass_air_flow",), "cannot be told apart"),
        (("manifold_pressure",), "no manifold pressure"),
        (("lambda_1",), "no lambda sensor"),
        (("commanded_lambda",), "no commanded lambda"),
        (("injector_pulse_width",), "no injector pulse width"),
        (("fuel_rail_pressure", "commanded_fuel_rail_pressure"), "fuel pressure"),
        (("purge_duty",), "purge valve"),
        (("ethanol_content",), "no ethanol sensor"),
        (("long_term_fuel_trim_1",), "no long term fuel trim"),
        (("barometric_pressure",), None),
        (("coolant_temperature",), None),
        (("fuel_system_status",), None),
        (("accelerator_pedal_position",), None),
        (("boost_pressure",), None),
    ],
)
def test_a_profile_without_a_channel_says_what_it_cannot_know_and_goes_on(
    lab: Any, without: tuple[str, ...], words: str | None
) -> None:
    arrays = lab.Bench().tour(lab.Fault(delivered=lambda point, pulse: 0.82)).arrays()
    said = lab.judged(arrays, lab.profile(without=without)).finding()
    if words is not None:
        assert any(words in sentence for sentence in said.missing)
    if "accelerator_pedal_position" not in without:
        assert said.settled > 10.0
    assert page(said)
    assert said.to_json()["verdict"] in ("fits", "strained", "misfit", "unproven")


def test_a_channel_of_the_profile_that_never_came_is_missed_like_one_it_does_not_have(lab: Any) -> None:
    arrays = lab.Bench().tour(lab.Fault()).arrays()
    without = lab.judged(arrays, lab.profile(without=("injector_pulse_width",))).finding()
    profile = lab.profile()
    ticks = lab.ticks(profile, arrays)
    ticks.quality[profile.index["injector_pulse_width"]] = Quality.NEVER_SEEN
    ticks.value[profile.index["injector_pulse_width"]] = np.nan
    signature = Signature(profile)
    early = 4_000_000_000 // profile.period
    signature.observe(ticks[:early])
    assert not any("pulse width" in sentence for sentence in signature.finding().missing), "it may still come"
    signature.observe(ticks[early:])
    signature.finish()
    said = signature.finding()
    assert said.missing == without.missing
    assert any("no injector pulse width" in sentence for sentence in said.missing)


def test_a_lost_lambda_sensor_is_no_lean_engine(lab: Any) -> None:
    def apply(arrays: dict[str, np.ndarray]) -> None:
        arrays["lambda_1"][:] = np.nan

    said = said_of(lab, apply)
    assert said.verdict.word == "unproven"
    assert said.settled == 0.0


def test_nothing_at_all_is_unproven(lab: Any) -> None:
    signature = Signature(lab.profile())
    assert signature.finding().verdict.word == "unproven"
    signature.finish()
    said = signature.finding()
    assert said.verdict.word == "unproven"
    assert "warm engine idle" in said.coverage.next_drive
    assert "What explains it" not in page(said), "what was thought before the drive is no finding of it"


def test_a_profile_without_an_engine_says_what_was_assumed(lab: Any) -> None:
    profile = lab.profile(engine="figures: []")
    said = lab.judged(lab.Bench().tour(lab.Fault()).arrays(), profile).finding()
    assert any("no engine in the profile" in sentence for sentence in said.assumed)


def test_a_cold_engine_and_a_fuel_cut_are_no_evidence(lab: Any) -> None:
    def cold(arrays: dict[str, np.ndarray]) -> None:
        arrays["coolant_temperature"][:] = 40.0

    def cut(arrays: dict[str, np.ndarray]) -> None:
        arrays["injector_pulse_width"][::20] = 0.0

    assert said_of(lab, cold).settled == 0.0
    assert said_of(lab, cut).settled == 0.0
