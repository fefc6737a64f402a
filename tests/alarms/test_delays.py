"""When an alarm is raised and when it returns: delays to the tick, deadband to the digit, unknown values.

Ticks are 10 ms apart. The semantics of on-delay, off-delay and deadband are those of ANSI/ISA-18.2-2016 (from memory).
"""

from __future__ import annotations

import itertools
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from livewatch.alarms import AlarmSystem, State
from livewatch.alarms.delay import Delay

NAN = float("nan")
LEAN, FINE = 1.10, 1.00


def watch(bench: Any, alarm: Any, **columns: Any) -> list[tuple[int, str]]:
    profile = bench.profile([alarm])
    events = AlarmSystem(profile).observe(bench.ticks(profile, columns))
    return [(tick, name) for tick, _, name in bench.moves(events)]


@pytest.mark.parametrize(("lean_ticks", "raised"), [(30, []), (31, [30])])
def test_an_on_delay_of_300_ms_needs_31_lean_ticks_because_31_ticks_span_300_ms(
    bench: Any, lean_ticks: int, raised: list[int]
) -> None:
    alarm = bench.alarm("lean", "lambda_ratio > 1.06", on_delay=300_000_000, latching=True)
    found = watch(bench, alarm, lambda_ratio=[LEAN] * lean_ticks + [FINE] * 5)
    assert [tick for tick, name in found if name == "raised"] == raised


@pytest.mark.parametrize(("delay", "tick"), [(0, 0), (1, 1), (10_000_000, 1), (10_000_001, 2), (20_000_000, 2)])
def test_a_delay_between_two_ticks_ends_at_the_later_one(bench: Any, delay: int, tick: int) -> None:
    alarm = bench.alarm("lean", "lambda_ratio > 1.06", on_delay=delay)
    assert watch(bench, alarm, lambda_ratio=[LEAN] * 5) == [(tick, "raised")]


@pytest.mark.parametrize(("fine_ticks", "returned"), [(100, False), (101, True)])
def test_an_off_delay_of_1_s_keeps_the_alarm_through_anything_shorter(
    bench: Any, fine_ticks: int, returned: bool
) -> None:
    alarm = bench.alarm("lean", "lambda_ratio > 1.06", off_delay=1_000_000_000)
    found = watch(bench, alarm, lambda_ratio=[LEAN] * 3 + [FINE] * fine_ticks + [LEAN] * 3)
    moves = [(0, "raised")] + ([(103, "returned to normal"), (104, "raised")] if returned else [])
    assert found == moves


def test_one_fine_tick_starts_the_on_delay_anew(bench: Any) -> None:
    alarm = bench.alarm("lean", "lambda_ratio > 1.06", on_delay=100_000_000)
    found = watch(bench, alarm, lambda_ratio=[LEAN] * 10 + [FINE] + [LEAN] * 11)
    assert found == [(21, "raised")]


def test_one_unknown_tick_starts_the_on_delay_anew_and_never_raises(bench: Any) -> None:
    alarm = bench.alarm("lean", "lambda_ratio > 1.06", on_delay=100_000_000)
    assert watch(bench, alarm, lambda_ratio=[LEAN] * 10 + [NAN] + [LEAN] * 11) == [(21, "raised")]
    assert watch(bench, alarm, lambda_ratio=[NAN] * 50) == []


def test_one_unknown_tick_starts_the_off_delay_anew(bench: Any) -> None:
    alarm = bench.alarm("lean", "lambda_ratio > 1.06", off_delay=100_000_000)
    found = watch(bench, alarm, lambda_ratio=[LEAN] + [FINE] * 10 + [NAN] + [FINE] * 11)
    assert found == [(0, "raised"), (22, "returned to normal")]


def test_an_alarm_keeps_its_state_while_its_channel_is_lost_and_says_that_it_cannot_judge(bench: Any) -> None:
    profile = bench.profile([bench.alarm("lean", "lambda_ratio > 1.06")])
    system = AlarmSystem(profile)
    assert system.states()[0].cannot_judge
    first = 0
    for value, state, blind in [
        (FINE, State.NORMAL, False),
        (NAN, State.NORMAL, True),
        (LEAN, State.UNACKNOWLEDGED, False),
        (NAN, State.UNACKNOWLEDGED, True),
        (FINE, State.RETURNED, False),
        (NAN, State.RETURNED, True),
    ]:
        system.observe(bench.ticks(profile, {"lambda_ratio": [value] * 200}, first))
        first += 200
        now = system.states()[0]
        assert (now.state, now.cannot_judge) == (state, blind)
        assert now.value == (None if np.isnan(value) else value)


def test_an_alarm_returns_at_the_setpoint_less_the_deadband_and_not_before(bench: Any) -> None:
    """1.06 with a deadband of 0.02: raised above 1.06, gone at 1.04 and below."""
    alarm = bench.alarm("lean", "lambda_ratio > 1.06", "0.02")
    just_above = float(np.nextafter(1.04, 2))
    column = [1.06, float(np.nextafter(1.06, 2)), 1.06, just_above, 1.05, 1.04, 1.06, 1.061]
    assert watch(bench, alarm, lambda_ratio=column) == [(1, "raised"), (5, "returned to normal"), (7, "raised")]


def test_hovering_inside_the_deadband_starts_the_off_delay_anew(bench: Any) -> None:
    alarm = bench.alarm("lean", "lambda_ratio > 1.06", "0.02", off_delay=50_000_000)
    found = watch(bench, alarm, lambda_ratio=[1.07] + [1.03] * 5 + [1.05] + [1.03] * 6)
    assert found == [(0, "raised"), (12, "returned to normal")]


def test_hovering_inside_the_deadband_does_not_count_for_the_on_delay(bench: Any) -> None:
    alarm = bench.alarm("lean", "lambda_ratio > 1.06", "0.02", on_delay=50_000_000)
    found = watch(bench, alarm, lambda_ratio=[1.07] * 5 + [1.05] + [1.07] * 6)
    assert found == [(11, "raised")]


ENABLE = "boost > 120 kPa"


def test_an_alarm_is_raised_only_where_its_enabling_condition_is_true(bench: Any) -> None:
    alarm = bench.alarm("lean_under_load", "lambda_ratio > 1.06", enable=ENABLE)
    found = watch(bench, alarm, lambda_ratio=[LEAN] * 6, boost=[100, 130, 130, 100, NAN, 130])
    assert found == [(1, "raised"), (3, "returned to normal"), (5, "raised")]


def test_an_alarm_whose_enabling_channel_is_lost_keeps_its_state_and_cannot_judge(bench: Any) -> None:
    profile = bench.profile([bench.alarm("lean_under_load", "lambda_ratio > 1.06", enable=ENABLE)])
    system = AlarmSystem(profile)
    system.observe(bench.ticks(profile, {"lambda_ratio": [LEAN] * 3, "boost": [NAN] * 3}))
    assert (system.states()[0].state, system.states()[0].cannot_judge) == (State.NORMAL, True)
    system.observe(bench.ticks(profile, {"lambda_ratio": [LEAN] * 3, "boost": [130, 130, NAN]}, 3))
    assert (system.states()[0].state, system.states()[0].cannot_judge) == (State.UNACKNOWLEDGED, True)
    system.observe(bench.ticks(profile, {"lambda_ratio": [FINE], "boost": [NAN]}, 6))
    assert (system.states()[0].state, system.states()[0].cannot_judge) == (State.RETURNED, False)


def test_what_is_known_to_be_false_needs_no_other_channel(bench: Any) -> None:
    """False and unknown is false (Kleene): off boost, a lost lambda channel leaves nothing to judge."""
    profile = bench.profile([bench.alarm("lean_under_load", "lambda_ratio > 1.06", enable=ENABLE)])
    system = AlarmSystem(profile)
    system.observe(bench.ticks(profile, {"lambda_ratio": [NAN], "boost": [100]}))
    assert not system.states()[0].cannot_judge


def test_an_unknown_suppressing_condition_leaves_the_alarm_suppressed_or_not_as_it_was(bench: Any) -> None:
    alarm = bench.alarm("lean", "lambda_ratio > 1.06", suppress="speed < 500 rpm")
    found = watch(bench, alarm, lambda_ratio=[FINE] * 6, speed=[NAN, 800, NAN, 400, NAN, 800])
    assert found == [(3, "suppressed"), (5, "no longer suppressed")]


runs = st.lists(st.tuples(st.sampled_from("HG-"), st.integers(1, 12)), max_size=30)


@given(runs=runs, on=st.integers(0, 6), off=st.integers(0, 6), cuts=st.lists(st.integers(0, 360), max_size=8))
def test_delays_count_the_same_ticks_however_the_ticks_are_cut(
    runs: list[tuple[str, int]], on: int, off: int, cuts: list[int]
) -> None:
    column = np.array(list("".join(letter * length for letter, length in runs)), dtype="U1")
    delay = Delay(on, off, 1)
    found = []
    edges = sorted({0, len(column), *(cut for cut in cuts if cut < len(column))})
    for start, stop in itertools.pairwise(edges):
        piece = column[start:stop]
        found += delay.observe(start, piece == "H", lambda piece=piece: piece == "G")
    expected, active, run, letter = [], False, 0, ""
    for tick, now in enumerate(column):
        run = run + 1 if now == letter else 1
        letter = now
        if (not active and now == "H" and run > on) or (active and now == "G" and run > off):
            active = not active
            expected.append((tick, active))
    assert found == expected
