"""What the event of a raised alarm carries: the values, what made it true, and the seconds before."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from livewatch.alarms import AlarmSystem
from livewatch.alarms.lead_up import significant
from livewatch.data.event_json import line_of
from livewatch.data.events import AlarmChanged, Event, Fact, SecondsBefore
from livewatch.data.samples import Quality
from livewatch.profile.formula.compile import compile_formula
from livewatch.profile.model import Channel

NAN = float("nan")


def only(events: list[Event]) -> Any:
    """The one event there is, an alarm's."""
    (event,) = events
    assert isinstance(event, AlarmChanged)
    return event


def ramp(bench: Any, n: int, raised: int, **profile: Any) -> tuple[Any, Any]:
    """Speed counts the ticks; the mixture is lean from tick `raised` on."""
    profile = bench.profile([bench.alarm("lean", "lambda_ratio > 1.06")], **profile)
    lean = np.where(np.arange(n) >= raised, 1.1, 1.0)
    ticks = bench.ticks(profile, {"lambda_ratio": lean, "speed": np.arange(n), "boost": [NAN] * n})
    return profile, ticks


@pytest.mark.parametrize("cuts", [(), (1999,), (2000,), (2001,), (700, 1500, 1990, 2003)])
def test_the_five_seconds_before_are_there_ten_times_a_second_on_absolute_ticks(bench: Any, cuts: Any) -> None:
    profile, ticks = ramp(bench, 2100, 2003)
    event = only(bench.run(AlarmSystem(profile), ticks, cuts))
    before = event.before
    assert (before.every, before.until) == (0.1, 20.0)
    assert before.channels["speed"] == [10.0 * i for i in range(151, 201)]
    assert before.channels["boost"] == [None] * 50
    assert before.channels["lambda_ratio"] == [1.0] * 50


def test_the_point_at_the_tick_of_the_alarm_itself_is_not_among_those_before(bench: Any) -> None:
    profile, ticks = ramp(bench, 2100, 2000)
    event = only(AlarmSystem(profile).observe(ticks))
    assert event.before.until == 19.9
    assert event.before.channels["speed"][-1] == 1990.0


def test_an_alarm_early_in_the_drive_carries_what_there_is(bench: Any) -> None:
    profile, ticks = ramp(bench, 40, 25)
    event = only(AlarmSystem(profile).observe(ticks))
    assert event.before.channels["speed"] == [0.0, 10.0, 20.0]
    profile, ticks = ramp(bench, 2, 0)
    event = only(AlarmSystem(profile).observe(ticks))
    assert event.before == SecondsBefore(0.1, 0.0, {"lambda_ratio": [], "boost": [], "speed": []})


@pytest.mark.parametrize(("period", "every"), [(5_000_000, 0.1), (30_000_000, 0.09), (200_000_000, 0.2)])
def test_other_ticks_keep_points_as_near_to_ten_a_second_as_they_can(bench: Any, period: int, every: float) -> None:
    profile, ticks = ramp(bench, 2000, 1900, period=period, lead_up=3_000_000_000)
    event = only(AlarmSystem(profile).observe(ticks))
    before = event.before
    assert before.every == every
    speed = np.array(before.channels["speed"]) * period / 1e9
    raised = 1900 * period / 1e9
    assert speed[-1] == pytest.approx(before.until) and raised - speed[-1] <= every + 1e-9
    assert raised - 3.0 <= speed[0] + 1e-9 and raised - speed[0] > 2.6


@pytest.mark.parametrize("last", [2099, 2100, 2101])
def test_an_alarm_raised_by_unshelving_carries_the_seconds_before_that_moment(bench: Any, last: int) -> None:
    profile, ticks = ramp(bench, last + 1, 100)
    system = AlarmSystem(profile)
    system.observe(ticks[:50])
    bench.act(system, "shelve", "lean", 49, duration=10**12)
    bench.run(system, ticks[50:], [33, 999])
    _, event = bench.act(system, "unshelve", "lean", last)
    assert event.values == {"lambda_ratio": 1.1, "boost": None, "speed": float(last)}
    assert event.quality == {"boost": "invalid"}
    stop = 210 if last <= 2100 else 211
    assert event.before.channels["speed"] == [10.0 * i for i in range(stop - 50, stop)]


def test_a_raised_alarm_says_which_values_made_it_true_and_what_is_not_good(bench: Any) -> None:
    units = {"lambda_1": "1", "commanded_lambda": "1", "lambda_ratio": "1", "boost": "kPa", "speed": "rpm"}
    ratio = compile_formula("lambda_1 / commanded_lambda", units)
    channels = [bench.channel(name, unit) for name, unit in units.items() if name != "lambda_ratio"]
    channels.insert(2, Channel("lambda_ratio", "1", formula=ratio))
    alarm = bench.alarm("lean_under_load", "lambda_ratio > 1.06 and boost > 120 kPa", units=units)
    profile = bench.profile([alarm], channels)
    ticks = bench.ticks(
        profile,
        {
            "lambda_1": [0.9],
            "commanded_lambda": [0.82],
            "lambda_ratio": [0.9 / 0.82],
            "boost": [131.25],
            "speed": [5e3],
        },
        quality={"speed": [Quality.STALE]},
    )
    event = only(AlarmSystem(profile).observe(ticks))
    assert event.transition == "raised"
    assert event.setpoint == "lambda_ratio > 1.06 and boost > 120 kPa"
    assert event.because == (Fact("lambda_ratio", 1.09756098, "1"), Fact("boost", 131.25, "kPa"))
    assert event.values == {
        "lambda_1": 0.9, "commanded_lambda": 0.82, "lambda_ratio": 1.09756098, "boost": 131.25, "speed": None
    }  # fmt: skip
    assert event.units == units
    assert event.quality == {"speed": "stale"}
    assert event.action == "Lift off the pedal now."
    assert json.loads(line_of(event, 1))["because"] == [
        {"channel": "lambda_ratio", "value": 1.09756098, "unit": "1"},
        {"channel": "boost", "value": 131.25, "unit": "kPa"},
    ]


def test_only_raised_alarms_carry_values(bench: Any) -> None:
    profile = bench.profile([bench.alarm("lean", "lambda_ratio > 1.06")])
    _, returned = AlarmSystem(profile).observe(bench.ticks(profile, {"lambda_ratio": [1.1, 1.0]}))
    assert isinstance(returned, AlarmChanged)
    assert {returned.values, returned.units, returned.quality, returned.because, returned.before} == {None}
    assert returned.state == "returned to normal unacknowledged"


def test_the_memory_for_the_seconds_before_does_not_grow(bench: Any) -> None:
    profile, ticks = ramp(bench, 2100, 2003)
    system = AlarmSystem(profile)
    size = system._lead_up._ring.size
    system.observe(ticks)
    assert system._lead_up._ring.size == size == 3 * 51


@example(numbers=[1.616417137685408e-15, -1.616417137685408e-14, 9.9999999999e-14, 5e-324], digits=9)
@given(
    numbers=st.lists(st.floats(-1e30, 1e30) | st.sampled_from([0.0, NAN, float("inf"), 5e-324, 1e300]), min_size=1),
    digits=st.sampled_from([6, 9]),
)
def test_numbers_are_rounded_as_printing_them_would(numbers: list[float], digits: int) -> None:
    """The oracle is Python's own correctly rounded formatting; halves may go to either neighbour."""
    for number, rounded in zip(numbers, significant(np.array(numbers), digits), strict=True):
        if not np.isfinite(number):
            assert rounded is None
            continue
        printed = float(f"{number:.{digits - 1}e}")
        if rounded != printed:
            step = 10.0 ** (np.floor(np.log10(abs(number))) - digits + 1)
            assert abs(abs(rounded - number) / step - 0.5) < 1e-6
