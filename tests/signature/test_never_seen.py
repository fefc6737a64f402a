"""What a drive could not show: channels that never came in their time, and no finding, no figure and no NaN where
nothing was seen."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from livewatch.data.samples import Quality
from livewatch.diagnosis.page import page
from livewatch.signature import Signature

Columns = dict[str, NDArray[np.float64]]

SPEED_DENSITY = "engine: {displacement: 2.0 L, cylinders: 4, induction: turbocharged, air_metering: speed_density}"


def with_quality(lab: Any, profile: Any, arrays: Columns, name: str, until: float, quality: Quality) -> Any:
    """Ticks in which a channel has a `quality`, and no value, for so many seconds."""
    ticks = lab.ticks(profile, arrays)
    stop = round(until * 1e9 / profile.period)
    ticks.quality[profile.index[name], :stop] = quality
    ticks.value[profile.index[name], :stop] = np.nan
    return ticks


def misses(signature: Signature, words: str) -> bool:
    return any(words in sentence for sentence in signature.finding().missing)


def test_a_channel_has_five_seconds_to_come(lab: Any) -> None:
    # The tick at 5.0 s is the fifty-first: until 4.9 s it may still come (some are sent once in two seconds or so).
    profile = lab.profile()
    ticks = with_quality(
        lab, profile, lab.Bench().tour(lab.Fault(), rounds=1).arrays(), "purge_duty", 999.0, Quality(4)
    )
    signature = Signature(profile)
    signature.observe(ticks[:50])
    assert not misses(signature, "purge valve")
    signature.observe(ticks[50:60])
    assert misses(signature, "purge valve")


def test_a_channel_that_came_late_is_missed_no_more(lab: Any) -> None:
    profile = lab.profile()
    ticks = with_quality(lab, profile, lab.Bench().tour(lab.Fault()).arrays(), "purge_duty", 8.0, Quality.NEVER_SEEN)
    signature = Signature(profile)
    signature.observe(ticks[:75])
    assert misses(signature, "purge valve")
    signature.observe(ticks[75:])
    assert not misses(signature, "purge valve")


@pytest.mark.parametrize("quality", [Quality.STALE, Quality.INVALID, Quality.OUT_OF_RANGE])
def test_a_channel_that_comes_and_is_lost_is_not_one_that_never_came(lab: Any, quality: Quality) -> None:
    # Its loss has an alarm of its own; what it showed before counts.
    profile = lab.profile()
    ticks = lab.ticks(profile, lab.Bench().tour(lab.Fault()).arrays())
    ticks.quality[profile.index["purge_duty"], 100:] = quality
    ticks.value[profile.index["purge_duty"], 100:] = np.nan
    signature = Signature(profile)
    signature.observe(ticks)
    signature.finish()
    assert not misses(signature, "purge valve")


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("lambda_1", "no lambda sensor"),
        ("mass_air_flow", "a wrong air meter and wrong injectors cannot be told apart"),
        ("manifold_pressure", "no manifold pressure"),
        ("commanded_lambda", "no commanded lambda"),
        ("long_term_fuel_trim_1", "no long term fuel trim"),
        ("ethanol_content", "no ethanol sensor"),
        ("commanded_fuel_rail_pressure", "fuel pressure against its command is not known"),
        ("fuel_rate", "whether the computer corrects for the ethanol"),
    ],
)
def test_each_channel_that_never_came_takes_something_that_is_said(lab: Any, name: str, words: str) -> None:
    profile = lab.profile(extra={"fuel_rate": "L/h"})
    arrays = lab.Bench().tour(lab.Fault(), rounds=1).arrays()
    arrays["fuel_rate"] = arrays["mass_air_flow"] / 14.0 * 3600.0 / 745.0
    came = Signature(profile)
    came.observe(lab.ticks(profile, arrays))
    assert not misses(came, words)
    never = Signature(profile)
    never.observe(with_quality(lab, profile, arrays, name, 999.0, Quality.NEVER_SEEN))
    assert misses(never, words)
    assert words[:20] in " ".join(page(never.finding()).split())


WRONG: dict[str, dict[str, Any]] = {
    "nothing": {},
    "metering": {"metered": lambda point: (66.0 / 75.0) ** 2},
    "injection": {"delivered": lambda point, pulse: 0.75},
    "air leak": {"metered": lambda point: 1.0 - 0.8 / point.air, "idle_correction": -20.0},
    "fuel supply": {"rail": lambda point: 0.7, "delivered": lambda point, pulse: 0.7},
}
"""What is wrong, by family: pressures, shares and g/s far beyond everyday."""


@pytest.mark.parametrize("family", WRONG)
def test_a_car_that_never_left_light_load_is_not_judged_under_load(lab: Any, family: str) -> None:
    fault = lab.Fault(**WRONG[family])
    for points in ((lab.IDLE,), lab.TOUR[:2]):
        said = lab.judged(lab.Bench().tour(fault, 10, points).arrays(), lab.profile(alarms=True)).finding()
        words = {one.system: one.word for one in said.verdict.systems}
        assert (words["fuel under load"], words["boost"]) == ("not seen", "not seen")
        if points == (lab.IDLE,):
            assert words["fuel supply"] == "not seen"
        assert words["fuel at part load"] != "not seen"


def cold(arrays: Columns) -> None:
    arrays["coolant_temperature"][:] = 40.0


def without_lambda(arrays: Columns) -> None:
    arrays["lambda_1"][:] = np.nan


@pytest.mark.parametrize("change", [cold, without_lambda])
def test_where_nothing_settled_no_cause_is_given(lab: Any, change: Any) -> None:
    # Pulls there were, but without a command for boost they tell nothing of its control.
    arrays = lab.Bench().tour(lab.Fault(metered=lambda point: 0.8)).arrays()
    change(arrays)
    said = lab.judged(arrays).finding()
    assert said.settled == 0.0
    assert said.pulls
    assert {cause.family for cause in said.causes} <= {"none"}
    text = page(said)
    assert "What explains it" not in text
    assert "everyday adaptation (none)" not in text
    assert "Settled driving by load (0 s in all)" in text


def test_causes_are_given_once_something_settled(lab: Any) -> None:
    said = lab.judged(lab.Bench().tour(lab.Fault()).arrays()).finding()
    assert "What explains it, likeliest first" in page(said)
    assert "nothing beyond everyday adaptation (none)" in page(said)


def pulling(lab: Any, commanded: float, lost: float = 1.0) -> Columns:
    """Two short pulls, of which nothing is known that needs a wideband sensor, a solenoid or a settled end."""
    bench = lab.Bench()
    for _ in range(2):
        bench.tour(lab.Fault(metered=lambda point: lost), rounds=1)
        for step in range(25):
            bench.hold(lab.Point(2000.0 + 100.0 * step, 150.0, 100.0, 0.85, 0.2), lab.Fault(), closed=False)
        bench.hold(lab.IDLE, lab.Fault())
    arrays: Columns = bench.arrays()
    full = arrays["accelerator_pedal_position"] > 95.0
    arrays["commanded_boost_pressure"] = np.where(full, commanded, arrays["boost_pressure"])
    return arrays


BOOST = {"commanded_boost_pressure": "kPa", "wastegate_duty": "%"}


@pytest.mark.parametrize(
    ("without", "engine", "commanded"),
    [
        pytest.param((), "", 150.0, id="no solenoid duty"),
        pytest.param((), "", 230.0, id="command never reached"),
        pytest.param(("lambda_1", "ethanol_content"), "", 230.0, id="no lambda"),
        pytest.param(("mass_air_flow",), SPEED_DENSITY, 230.0, id="no meter"),
        pytest.param(("manifold_pressure", "barometric_pressure"), "", 150.0, id="no manifold pressure"),
        pytest.param(("injector_pulse_width", "fuel_rail_pressure", "charge_air_temperature"), "", 150.0, id="no fuel"),
        pytest.param(("short_term_fuel_trim_1", "idle_air_correction"), "", 230.0, id="no trim"),
        pytest.param((), "figures: []", 230.0, id="no engine"),
    ],
)
def test_what_is_not_known_of_a_drive_is_null_in_json_and_never_nan(
    lab: Any, without: tuple[str, ...], engine: str, commanded: float
) -> None:
    # RFC 8259, section 6: "Numeric values that cannot be represented (such as Infinity and NaN) are not permitted."
    said = lab.judged(pulling(lab, commanded), lab.profile(without, engine, BOOST)).finding()
    text = json.dumps(said.to_json(), allow_nan=False)
    assert said.pulls
    assert "nan" not in text.lower().replace("nanosecond", "")
    assert ": null" in text
    assert " nan" not in page(said)


def test_of_no_drive_at_all_json_says_nothing_that_is_no_number(lab: Any) -> None:
    signature = Signature(lab.profile(extra=BOOST))
    json.dumps(signature.finding().to_json(), allow_nan=False)
    signature.finish()
    told = signature.finding().to_json()
    json.dumps(told, allow_nan=False)
    assert [group["need"] for group in told["coverage"]["groups"]] == [[None, None]] * 4


def test_a_solenoid_at_its_ceiling_is_told_where_its_duty_came_and_not_guessed_where_it_did_not(lab: Any) -> None:
    arrays = pulling(lab, 230.0)
    profile = lab.profile(extra=BOOST)

    def said_of_solenoid() -> list[str]:
        causes = {cause.name: cause for cause in lab.judged(arrays, profile).finding().causes}
        return [reason for reason in causes["underboost"].reasons_for if "solenoid" in reason]

    assert said_of_solenoid() == []
    arrays["wastegate_duty"] = np.full(len(arrays["engine_speed"]), 95.0)
    assert said_of_solenoid() == ["solenoid duty stood at its ceiling for 100 % of the time"]
