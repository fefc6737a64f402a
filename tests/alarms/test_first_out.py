"""The first alarm of those standing together is marked: first-out, as annunciators have it (ISA-18.1, from memory)."""

from __future__ import annotations

from typing import Any

import pytest

from livewatch.alarms import AlarmSystem
from livewatch.data.events import AlarmChanged

NAN = float("nan")


def first_out(bench: Any, alarms: list[Any], columns: dict[str, list[float]]) -> list[tuple[int, str]]:
    profile = bench.profile(alarms)
    events = AlarmSystem(profile).observe(bench.ticks(profile, columns))
    raised = [event for event in events if isinstance(event, AlarmChanged) and event.raised]
    return [(event.time // 10_000_000, event.subject) for event in raised if event.first_out]


@pytest.fixture
def alarms(bench: Any) -> list[Any]:
    return [
        bench.alarm("low_pressure", "boost < 90 kPa", priority="low"),
        bench.alarm("lean", "lambda_ratio > 1.06", priority="critical"),
        bench.alarm("overspeed", "speed > 7000 rpm", priority="critical"),
    ]


def test_the_alarm_that_began_a_cascade_is_the_first_out(bench: Any, alarms: list[Any]) -> None:
    columns = {
        "boost": [100.0, 80, 80, 80, 100, 100],
        "lambda_ratio": [1.0, 1.0, 1.1, 1.1, 1.1, 1.0],
        "speed": [3000.0, 3000, 3000, 7500, 3000, 3000],
    }
    assert first_out(bench, alarms, columns) == [(1, "low_pressure")]


def test_at_one_tick_the_higher_priority_and_then_the_order_of_the_profile_decides(
    bench: Any, alarms: list[Any]
) -> None:
    columns = {"boost": [80.0], "lambda_ratio": [1.1], "speed": [7500.0]}
    assert first_out(bench, alarms, columns) == [(0, "lean")]


def test_the_next_group_begins_when_the_conditions_of_all_have_gone(bench: Any, alarms: list[Any]) -> None:
    columns = {
        "boost": [80.0, 80, 100, 100, 80, 100],
        "lambda_ratio": [1.0, 1.1, 1.1, 1.0, 1.0, 1.0],
        "speed": [3000.0, 3000, 3000, 7500, 3000, 3000],
    }
    # At tick 3 lean goes and overspeed comes: no tick was free of alarms, so the group goes on.
    assert first_out(bench, alarms, columns) == [(0, "low_pressure")]
    columns["speed"][3] = 3000
    assert first_out(bench, alarms, columns) == [(0, "low_pressure"), (4, "low_pressure")]


def test_one_alarm_at_most_carries_the_mark_and_keeps_it_after_its_condition_has_gone(
    bench: Any, alarms: list[Any]
) -> None:
    profile = bench.profile(alarms)
    system = AlarmSystem(profile)

    def marked() -> list[str]:
        return [state.name for state in system.states() if state.first_out]

    system.observe(bench.ticks(profile, {"boost": [80, 100], "lambda_ratio": [1.0, 1.0]}))
    assert marked() == ["low_pressure"]
    system.observe(bench.ticks(profile, {"boost": [100, 100], "lambda_ratio": [1.1, 1.1]}, 2))
    assert marked() == ["lean"]
    bench.act(system, "shelve", "lean", 3, duration=10**9)
    assert marked() == []


def test_a_hidden_alarm_does_not_keep_another_from_being_the_first_out(bench: Any, alarms: list[Any]) -> None:
    profile = bench.profile(alarms)
    system = AlarmSystem(profile)
    system.observe(bench.ticks(profile, {"boost": [80], "lambda_ratio": [1.0]}))
    bench.act(system, "shelve", "low_pressure", 0, duration=10**12)
    (event,) = system.observe(bench.ticks(profile, {"boost": [80], "lambda_ratio": [1.1]}, 1))
    assert isinstance(event, AlarmChanged)
    assert (event.subject, event.first_out) == ("lean", True)


def test_a_channel_lost_for_the_whole_drive_does_not_keep_an_alarm_from_being_the_first_out(bench: Any) -> None:
    channels = [bench.channel("lambda_ratio", "1", "engine"), bench.channel("boost", "kPa", "engine")]
    profile = bench.profile([bench.alarm("lean", "lambda_ratio > 1.06")], channels)
    columns = {"lambda_ratio": [1.0] * 200 + [1.1] * 10, "boost": [NAN] * 210}
    events = AlarmSystem(profile).observe(bench.ticks(profile, columns))
    raised = [event for event in events if isinstance(event, AlarmChanged)]
    assert [(event.subject, event.first_out) for event in raised] == [("lost: boost", False), ("lean", True)]
