"""Flood, chattering and the figures of a run.

Thresholds from EEMUA 191 and ANSI/ISA-18.2-2016, from memory: more than ten alarms in ten minutes are a flood, which
ends below five; three in a minute are chattering; priorities about 80/15/5 %.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from livewatch.alarms import AIM, AlarmSystem
from livewatch.data.events import AlarmChanged, AlarmChattered, AlarmFlood

SECOND = 1_000_000_000


def drive(bench: Any, raised_at: list[int], seconds: int, priority: str = "low") -> tuple[AlarmSystem, list[Any]]:
    """One tick a second; the boost pressure is too high in just the given seconds."""
    profile = bench.profile([bench.alarm("overboost", "boost > 180 kPa", priority=priority)], period=SECOND)
    column = np.full(seconds, 100.0)
    column[raised_at] = 200.0
    system = AlarmSystem(profile)
    return system, system.observe(bench.ticks(profile, {"boost": column}))


def floods(events: list[Any]) -> list[tuple[int, str]]:
    return [(event.time // SECOND, event.what) for event in events if isinstance(event, AlarmFlood)]


def chattering(events: list[Any]) -> list[int]:
    return [event.time // SECOND for event in events if isinstance(event, AlarmChattered)]


def test_ten_alarms_in_ten_minutes_are_no_flood_and_the_eleventh_begins_one(bench: Any) -> None:
    spread = [60 * i for i in range(10)]
    assert floods(drive(bench, spread, 700)[1]) == []
    assert floods(drive(bench, [*spread, 599], 620)[1]) == [(599, "began")]


def test_an_alarm_ten_minutes_old_counts_no_more(bench: Any) -> None:
    assert floods(drive(bench, [60 * i for i in range(40)], 2400)[1]) == []
    assert floods(drive(bench, [0, *(541 + 6 * i for i in range(9)), 600], 700)[1]) == []


def test_a_flood_ends_at_the_tick_at_which_fewer_than_five_alarms_are_left_in_ten_minutes(bench: Any) -> None:
    times = [10 * i for i in range(11)]
    _, events = drive(bench, times, 800)
    # The fifth newest alarm, at 60 s, leaves the ten minutes at 660 s.
    assert floods(events) == [(100, "began"), (660, "ended")]
    ended = events[-1]
    assert (ended.what, ended.alarms, ended.within, ended.lasted) == ("ended", 11, None, 560.0)
    assert floods(drive(bench, times, 660)[1]) == [(100, "began")]
    assert floods(drive(bench, times, 661)[1]) == [(100, "began"), (660, "ended")]


def test_the_end_of_a_flood_says_how_many_alarms_it_had(bench: Any) -> None:
    _, events = drive(bench, [*(10 * i for i in range(11)), 200, 300], 1000)
    assert events[-1].alarms == 13


def test_an_alarm_at_the_very_tick_at_which_a_flood_would_end_prolongs_it(bench: Any) -> None:
    times = [10 * i for i in range(11)]
    assert floods(drive(bench, [*times, 660], 800)[1]) == [(100, "began"), (670, "ended")]


def test_a_second_flood_is_told_again(bench: Any) -> None:
    times = [10 * i for i in range(11)]
    later = [time + 2000 for time in times]
    system, events = drive(bench, times + later, 3000)
    assert floods(events) == [(100, "began"), (660, "ended"), (2100, "began"), (2660, "ended")]
    assert (system.figures().floods, system.figures().flood_time) == (2, 1120.0)


def test_three_alarms_within_a_minute_chatter_and_three_in_just_a_minute_do_not(bench: Any) -> None:
    assert chattering(drive(bench, [100, 130, 159], 300)[1]) == [159]
    assert chattering(drive(bench, [100, 130, 160], 300)[1]) == []


def test_chattering_is_told_once_until_the_alarm_was_calm_for_a_minute(bench: Any) -> None:
    assert chattering(drive(bench, [*range(100, 200, 10)], 300)[1]) == [120]
    assert chattering(drive(bench, [100, 110, 120, 179, 185, 190], 300)[1]) == [120]
    assert chattering(drive(bench, [100, 110, 120, 180, 185, 190], 300)[1]) == [120, 190]


def test_what_chatters_or_floods_is_told_after_the_alarm_that_made_it_so(bench: Any) -> None:
    _, events = drive(bench, [2 * i for i in range(11)], 30)
    at_20 = [(type(event), event.subject) for event in events if event.time == 20 * SECOND]
    assert at_20 == [(AlarmChanged, "overboost"), (AlarmFlood, "")]
    at_4 = [(type(event), event.subject) for event in events if event.time == 4 * SECOND]
    assert at_4 == [(AlarmChanged, "overboost"), (AlarmChattered, "overboost")]


def test_the_figures_of_a_quiet_hour(bench: Any) -> None:
    system, _ = drive(bench, [600 * i for i in range(6)], 3601)
    figures = system.figures()
    assert (figures.elapsed, figures.raised, figures.average, figures.peak) == (3600.0, 6, 1.0, 1)
    assert (figures.floods, figures.flood_time, dict(figures.chattering), dict(figures.standing)) == (0, 0.0, {}, {})
    assert figures.share == {"critical": 0.0, "high": 0.0, "medium": 0.0, "low": 100.0}
    assert figures.most_frequent == (("overboost", 6),)


def test_a_run_shorter_than_ten_minutes_counts_as_ten_minutes(bench: Any) -> None:
    system, _ = drive(bench, [10, 30], 61)
    assert system.figures().average == 2.0


def test_the_figures_of_a_run_that_has_not_begun_are_empty(bench: Any) -> None:
    figures = AlarmSystem(bench.profile()).figures()
    assert (figures.elapsed, figures.raised, figures.average, figures.share) == (0.0, 0, 0.0, {})


def test_the_share_of_each_priority_is_held_against_what_to_aim_at(bench: Any) -> None:
    alarms = [
        bench.alarm("overboost", "boost > 180 kPa", priority="low"),
        bench.alarm("lean", "lambda_ratio > 1.06", priority="critical"),
    ]
    profile = bench.profile(alarms, period=SECOND)
    system = AlarmSystem(profile)
    system.observe(bench.ticks(profile, {"boost": [200, 100, 200, 100, 200], "lambda_ratio": [1, 1, 1, 1.1, 1.1]}))
    figures = system.figures()
    assert figures.share == {"critical": 25.0, "high": 0.0, "medium": 0.0, "low": 75.0}
    assert (AIM["low"], AIM["medium"], AIM["high"]) == (80.0, 15.0, 5.0)
    assert figures.most_frequent == (("overboost", 3), ("lean", 1))


def test_peak_is_the_most_in_any_ten_minutes_and_chattering_is_counted_by_alarm(bench: Any) -> None:
    system, _ = drive(bench, [0, 10, 20, 500, 598, 600, 609, 1400], 1500)
    assert system.figures().peak == 6
    assert system.figures().chattering == {"overboost": 2}


@pytest.mark.parametrize(("seconds", "standing"), [(600, {}), (601, {"overboost": 600.0}), (901, {"overboost": 900.0})])
def test_an_alarm_that_stands_for_ten_minutes_is_a_standing_alarm(
    bench: Any, seconds: int, standing: dict[str, float]
) -> None:
    system, _ = drive(bench, [*range(seconds)], seconds)
    assert system.figures().standing == standing


def test_the_longest_stand_is_kept_after_the_alarm_has_gone(bench: Any) -> None:
    system, _ = drive(bench, [*range(700), *range(1000, 1650)], 2000)
    assert system.figures().standing == {"overboost": 700.0}
