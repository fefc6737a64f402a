"""What a person can do to alarms, what is refused and how it is said, and what the screen is told."""

from __future__ import annotations

from typing import Any

import pytest

from livewatch.alarms import ActionError, AlarmSystem, State
from livewatch.data.actions import Action
from livewatch.errors import LivewatchError

NO_REASON = "cannot remove 'cold' from service without a reason: expected a text"


@pytest.fixture
def system(bench: Any) -> AlarmSystem:
    """Lean stands unacknowledged; overboost has returned unacknowledged; overspeed is latched and acknowledged."""
    alarms = [
        bench.alarm("lean_under_load", "lambda_ratio > 1.06", priority="critical"),
        bench.alarm("overboost", "boost > 180 kPa", priority="medium"),
        bench.alarm("overspeed", "speed > 7000 rpm", latching=True, priority="high"),
        bench.alarm("cold", "boost < 50 kPa", priority="low"),
    ]
    profile = bench.profile(alarms)
    system = AlarmSystem(profile)
    system.observe(bench.ticks(profile, {"lambda_ratio": [1.0], "boost": [200.0], "speed": [7500.0]}))
    bench.act(system, "acknowledge", "overspeed", 0)
    system.observe(bench.ticks(profile, {"lambda_ratio": [1.1], "boost": [100.0], "speed": [3000.0]}, 1))
    return system


@pytest.mark.parametrize(
    ("kind", "subject", "more", "message"),
    [
        ("acknowledge", "leen_under_load", {}, "no alarm is called 'leen_under_load' (did you mean lean_under_load?)"),
        ("shelve", "", {"duration": 1}, "no alarm is called ''"),
        (
            "acknowledge", "cold", {},
            "cannot acknowledge 'cold': its state is normal, and that takes one of: unacknowledged alarm, "
            "returned to normal unacknowledged, latched unacknowledged, latched acknowledged",
        ),
        ("unshelve", "cold", {}, "cannot unshelve 'cold': its state is normal, and that takes one of: shelved"),
        (
            "return_to_service", "cold", {},
            "cannot return to service 'cold': its state is normal, and that takes one of: out of service",
        ),
        ("shelve", "cold", {}, "cannot shelve 'cold' for 0 s: expected a time longer than 0 s"),
        ("shelve", "cold", {"duration": -10**9}, "cannot shelve 'cold' for -1 s: expected a time longer than 0 s"),
        ("remove_from_service", "cold", {}, NO_REASON),
        ("remove_from_service", "cold", {"text": "  "}, NO_REASON),
        ("marker", "cold", {}, "an alarm knows no action 'marker'"),
    ],
)  # fmt: skip
def test_a_refused_action_says_why_and_changes_nothing(
    bench: Any, system: AlarmSystem, kind: str, subject: str, more: dict[str, Any], message: str
) -> None:
    before = system.states(), system.figures()
    with pytest.raises(ActionError) as refused:
        bench.act(system, kind, subject, 1, **more)
    assert str(refused.value) == message
    assert isinstance(refused.value, LivewatchError)
    assert (system.states(), system.figures()) == before


def test_acknowledging_all_answers_what_is_unacknowledged_and_leaves_latched_alarms_alone(
    bench: Any, system: AlarmSystem
) -> None:
    events = bench.act(system, "acknowledge_all", "", 1)
    assert [(event.subject, event.state) for event in events] == [
        ("lean_under_load", "acknowledged alarm"),
        ("overboost", "normal"),
    ]
    assert system.states()[2].state is State.LATCHED_ACKNOWLEDGED
    with pytest.raises(ActionError, match="nothing to acknowledge: no alarm is unacknowledged"):
        bench.act(system, "acknowledge_all", "", 1)


def test_an_action_is_stamped_with_the_times_it_is_given_at(system: AlarmSystem) -> None:
    (event,) = system.apply(Action("acknowledge", "overboost"), 123, 456)
    assert (event.time, event.utc, system.states()[1].since) == (123, 456, 123)


def test_shelving_tells_until_when_and_why_and_removing_from_service_why(bench: Any, system: AlarmSystem) -> None:
    (event,) = bench.act(system, "shelve", "overboost", 1, duration=90 * 10**9, text="gauge hose off")
    assert (event.until, event.reason) == (90.01, "gauge hose off")
    state = system.states()[1]
    assert (state.shelved_until, state.reason) == (90_010_000_000, "gauge hose off")
    (event,) = bench.act(system, "remove_from_service", "overboost", 1, text="sensor changed")
    assert event.reason == "sensor changed"
    assert (system.states()[1].shelved_until, system.states()[1].reason) == (None, "sensor changed")
    (event,) = bench.act(system, "return_to_service", "overboost", 1)
    assert event.reason is None and system.states()[1].reason == ""


def test_the_reason_goes_with_the_action_and_not_with_what_follows_from_it(bench: Any, system: AlarmSystem) -> None:
    bench.act(system, "shelve", "lean_under_load", 1, duration=10**9)
    unshelved, raised = bench.act(system, "unshelve", "lean_under_load", 1, text="hose back on")
    assert unshelved.reason == "hose back on"
    assert raised.transition == "raised" and raised.reason is None


def test_the_screen_is_told_how_every_alarm_stands(system: AlarmSystem) -> None:
    lean, overboost, overspeed, cold = system.states()
    assert (lean.state, lean.since, lean.raised_at, lean.count) == (State.UNACKNOWLEDGED, 10_000_000, 10_000_000, 1)
    assert (lean.channel, lean.value, lean.unit, lean.setpoint.text) == (
        "lambda_ratio",
        1.1,
        "1",
        "lambda_ratio > 1.06",
    )
    assert (lean.acknowledged, overboost.acknowledged, overspeed.acknowledged) == (False, False, True)
    assert (overboost.state, overboost.raised_at, overboost.since) == (State.RETURNED, 0, 10_000_000)
    assert (cold.state, cold.raised_at, cold.count, cold.cannot_judge) == (State.NORMAL, None, 0, False)
    assert lean.action == "Lift off the pedal now."


def test_the_most_urgent_alarm_comes_first_on_the_screen(bench: Any) -> None:
    alarms = [
        bench.alarm("normal", "boost > 999 kPa", priority="critical"),
        bench.alarm("shelved", "boost > 180 kPa", priority="critical"),
        bench.alarm("acknowledged", "boost > 180 kPa", priority="critical"),
        bench.alarm("late", "speed > 6000 rpm", priority="high"),
        bench.alarm("early", "boost > 180 kPa", priority="high"),
        bench.alarm("second", "boost > 150 kPa", priority="high"),
        bench.alarm("returned", "boost < 50 kPa", priority="high"),
        bench.alarm("first", "boost > 140 kPa", priority="high"),
        bench.alarm("low", "boost > 180 kPa", priority="low"),
        bench.alarm("worst", "speed > 6000 rpm", priority="critical"),
    ]
    profile = bench.profile(alarms)
    system = AlarmSystem(profile)
    system.observe(
        bench.ticks(profile, {"boost": [40, 99, 145, 160, 200, 200], "speed": [3e3, 3e3, 3e3, 3e3, 3e3, 6500]})
    )
    bench.act(system, "acknowledge", "acknowledged", 5)
    bench.act(system, "shelve", "shelved", 5, duration=10**9)
    ordered = [state.name for state in sorted(system.states(), key=lambda state: state.urgency)]
    assert ordered == [
        "worst",
        "first",
        "returned",
        "second",
        "early",
        "late",
        "low",
        "acknowledged",
        "shelved",
        "normal",
    ]
