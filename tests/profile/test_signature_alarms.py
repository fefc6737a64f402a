"""livewatch's own alarms: there where everything they read is there, and the user's word over them."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

import livewatch.profile.resolve as loading
from livewatch.errors import MistakesError
from livewatch.profile import Profile, load_profile_text
from livewatch.profile.alarm_rules import signature_defaults

Load = Callable[..., Profile]
Write = Callable[..., Path]
Mistakes = Callable[..., list[str]]

DEFAULTS = """
channels:
  trim_used:
    formula: short_term_fuel_trim_1 / authority.short_term_fuel_trim.high
    unit: "%"
  trim_used_long: {formula: "mean(trim_used, 5 s)", unit: "%"}
  mean_pressure: {formula: "engine.displacement * manifold_pressure", unit: J}
alarms:
  trim_pinned:
    condition: trim_used_long > 95 %
    deadband: 5 %
    on_delay: 2 s
    priority: high
    action: Look.
  trim_high:
    condition: short_term_fuel_trim_1 > 20 %
    action: Look.
    instead_of: [trim_pinned]
  boost_high:
    condition: boost_pressure > 200 kPa
    action: Lift.
    needs: [wastegate_duty]
  work_high:
    condition: mean_pressure > 100 J
    action: Lift.
"""
TRIM = "profile: 1\nname: car\nchannels:\n  short_term_fuel_trim_1: {}\n"


@pytest.fixture(autouse=True)
def defaults(write: Write, monkeypatch: pytest.MonkeyPatch) -> None:
    """The defaults of this test instead of livewatch's."""
    path = write(DEFAULTS, "defaults.yaml")
    monkeypatch.setattr(loading, "signature_defaults", lambda: signature_defaults(path))


def names(profile: Profile) -> list[str]:
    return [alarm.name for alarm in profile.alarms]


def test_an_alarm_is_there_where_all_it_reads_is_there(load: Load) -> None:
    profile = load(TRIM)
    assert names(profile) == ["trim_pinned"], "and trim_high is not needed where trim_pinned can be"
    assert list(profile.index) == ["short_term_fuel_trim_1", "trim_used", "trim_used_long"]
    (alarm,) = profile.alarms
    assert alarm.signature
    assert alarm.on_delay == 2_000_000_000
    assert not profile.channels[2].declared


def test_an_alarm_without_what_it_needs_is_left_out(load: Load) -> None:
    text = "profile: 1\nname: car\nchannels:\n  boost_pressure: {}\n  manifold_pressure: {}\n"
    assert names(load(text)) == []
    assert names(load(text + "  wastegate_duty: {}\n")) == ["boost_high"]
    engine = "engine: {displacement: 2 L, cylinders: 4, induction: turbocharged, air_metering: speed_density}\n"
    assert names(load(text + engine)) == ["work_high"]


def test_the_user_changes_a_field_turns_one_off_or_all(load: Load) -> None:
    for change in ("alarms: {trim_pinned: {priority: low}}\n", "signature_alarms: {trim_pinned: {priority: low}}\n"):
        (alarm,) = load(TRIM + change).alarms
        assert (alarm.priority, alarm.on_delay, alarm.signature) == ("low", 2_000_000_000, True)
    assert names(load(TRIM + "signature_alarms: {trim_pinned: off}\n")) == []
    profile = load(TRIM + "signature_alarms: off\n")
    assert names(profile) == []
    assert list(profile.index) == ["short_term_fuel_trim_1"]


def test_an_alarm_with_its_own_condition_owes_nothing_to_the_one_of_the_same_name(load: Load) -> None:
    own = "alarms: {trim_pinned: {condition: short_term_fuel_trim_1 > 5 %, action: Wait.}}\n"
    (alarm,) = load(TRIM + own).alarms
    assert (alarm.setpoint.text, alarm.on_delay, alarm.signature) == ("short_term_fuel_trim_1 > 5 %", 0, False)


def test_a_channel_of_the_user_goes_before_the_one_of_the_same_name(load: Load) -> None:
    profile = load(TRIM + '  trim_used: {formula: short_term_fuel_trim_1 * 2, unit: "%"}\n')
    assert profile.channels[profile.index["trim_used"]].declared
    assert names(profile) == ["trim_pinned"]


def test_a_resolved_profile_keeps_the_alarms_it_was_watched_with(load: Load, monkeypatch: pytest.MonkeyPatch) -> None:
    profile = load(TRIM)
    monkeypatch.setattr(loading, "signature_defaults", lambda: pytest.fail("a resolved profile asks for no defaults"))
    again = load_profile_text(profile.text, "profile.yaml", None)
    assert again == profile
    assert again.alarms[0].signature


def test_a_change_of_an_alarm_that_does_not_exist_is_a_mistake(mistakes: Mistakes) -> None:
    assert mistakes(TRIM + "signature_alarms: {trim_pined: off}\n") == [
        "car.yaml:5:20: unknown signature alarm 'trim_pined' (did you mean trim_pinned?)"
    ]
    assert mistakes(TRIM + "alarms: {trim_pined: {priority: low, action: Look.}}\n") == [
        "car.yaml:5:10: 'condition' is missing here: what makes it true"
    ]
    assert mistakes(TRIM + "signature_alarms: {trim_pinned: {prio: low}}\n") == [
        "car.yaml:5:34: unknown key 'prio' (did you mean priority?)"
    ]


def test_a_wrong_change_is_said_with_the_alarm_it_is_about(mistakes: Mistakes) -> None:
    (found,) = mistakes(TRIM + "signature_alarms: {trim_pinned: {deadband: 5 kPa}}\n")
    assert "the signature alarm trim_pinned cannot be built here: the deadband 5 kPa fits no comparison" in found


def test_the_alarms_that_come_with_livewatch_are_right() -> None:
    found = signature_defaults()
    for name, alarm in found.alarms.items():
        assert alarm.condition, name
        assert alarm.action, name


def test_a_later_way_has_unit_and_meaning_of_the_first_unless_it_says_its_own(write: Write) -> None:
    ways = "[{formula: a + 1 kPa, unit: kPa, meaning: Boost}, {formula: b}, {formula: c, meaning: Suction}]"
    found = signature_defaults(write(f"channels: {{x: {ways}, y: {{formula: d}}}}\n", "ways.yaml")).channels
    said = [(way.formula, way.unit, way.meaning) for way in found["x"]]
    assert said == [("a + 1 kPa", "kPa", "Boost"), ("b", "kPa", "Boost"), ("c", "kPa", "Suction")]
    with pytest.raises(MistakesError, match=r"wrong.yaml:1:50: unknown key 'formla'"):
        signature_defaults(write("channels: {x: [{formula: a + 1 kPa, unit: kPa}, {formla: b}]}\n", "wrong.yaml"))


def test_a_wrong_file_of_defaults_is_not_passed_over(write: Write) -> None:
    with pytest.raises(MistakesError, match="unknown key 'conditon'"):
        signature_defaults(write("alarms: {x: {conditon: a > b, action: Look.}}\n", "wrong.yaml"))
