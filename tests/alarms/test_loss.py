"""Channels that are lost, buses that fall silent, and the built-in alarms they raise.

Samples arrive at given ticks (10 ms each); `hold` below is a plain zero-order hold with an age limit.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from livewatch.alarms import AlarmSystem, State
from livewatch.data.events import AlarmChanged, Fact, QualityChanged
from livewatch.data.frames import FrameBatch
from livewatch.data.samples import Quality
from livewatch.data.ticks import TickBatch
from livewatch.profile.formula.compile import compile_formula
from livewatch.profile.model import Channel, Diagnostics, Parameter

GOOD, STALE, OUT, INVALID, NEVER = (
    Quality.GOOD, Quality.STALE, Quality.OUT_OF_RANGE, Quality.INVALID, Quality.NEVER_SEEN,
)  # fmt: skip
SECOND = 100
"""Ticks."""

Arrivals = dict[str, list[tuple[int, Quality]]]


def every(step: int, start: int, stop: int, quality: Quality = GOOD) -> list[tuple[int, Quality]]:
    return [(tick, quality) for tick in range(start, stop, step)]


def hold(bench: Any, profile: Any, n: int, arrivals: Arrivals) -> TickBatch:
    """Every channel as last received, growing old."""
    quality: dict[str, list[int]] = {}
    age: dict[str, list[float]] = {}
    value: dict[str, list[float]] = {}
    for channel in profile.channels:
        came = dict(arrivals.get(channel.name, []))
        limit = channel.stale_after // 10_000_000
        last, worth = None, NEVER
        grades, ages = [], []
        for tick in range(n):
            if tick in came:
                last, worth = tick, came[tick]
            old = last is not None and tick - last > limit
            grades.append(STALE if worth is GOOD and old else worth)
            ages.append(np.nan if last is None else (tick - last) / 100)
        quality[channel.name], age[channel.name] = grades, ages
        value[channel.name] = [1.0] * n
    ticks: TickBatch = bench.ticks(profile, value, 0, quality, age)
    return ticks


def told(bench: Any, events: list[Any]) -> list[tuple[int, str, str]]:
    """(tick, subject, what), channels that are lost or back and alarms alike."""
    return [
        (event.time // 10_000_000, event.subject, getattr(event, "what", "") or event.transition)
        for event in events
        if isinstance(event, QualityChanged | AlarmChanged)
    ]


def watched(
    bench: Any, profile: Any, ticks: TickBatch, frames: bool = True, others: FrameBatch | None = None
) -> list[Any]:
    """What the ticks bring, taken as a whole and one at a time alike; `others`: frames of something else."""
    whole, each = AlarmSystem(profile), AlarmSystem(profile)
    for system in (whole, each):
        system.expect_frames(frames)
        if others is not None:
            system.other_frames.hear(others.time, others, np.zeros(len(others), np.uint32))
    events: list[Any] = whole.observe(ticks)
    assert bench.run(each, ticks, range(1, len(ticks))) == events
    return events


@pytest.fixture
def profile(bench: Any) -> Any:
    """Three channels of the engine bus, one of them slow; half a second to several seconds to grow stale."""
    channels = [
        bench.channel("lambda_ratio", "1", "engine", stale_after=500_000_000),
        bench.channel("boost", "kPa", "engine"),
        bench.channel("speed", "rpm", "engine", stale_after=2_000_000_000),
    ]
    return bench.profile([bench.alarm("lean", "lambda_ratio > 1.06", priority="critical")], channels)


def test_a_channel_that_stops_coming_is_lost_half_a_second_after_it_went_stale_and_back_half_a_second_after_it_came(
    bench: Any, profile: Any
) -> None:
    alive = {"boost": every(10, 0, 1000), "speed": every(100, 0, 1000)}
    ticks = hold(bench, profile, 1000, {**alive, "lambda_ratio": every(5, 0, 201) + every(5, 500, 1000)})
    events = watched(bench, profile, ticks)
    # The last value, at 200, is stale from 251 on; boost proves the bus alive at 260, before the delay is over.
    assert told(bench, events) == [
        (301, "lambda_ratio", "lost"),
        (310, "lost: lambda_ratio", "raised"),
        (550, "lambda_ratio", "back"),
        (550, "lost: lambda_ratio", "returned to normal"),
    ]
    lost, raised, back, _ = events
    assert isinstance(lost, QualityChanged) and isinstance(raised, AlarmChanged) and isinstance(back, QualityChanged)
    assert (lost.what, lost.quality, lost.last, lost.unit, lost.age) == ("lost", "stale", 1.0, "1", 1.01)
    assert (back.quality, back.age) == ("good", 0.0)
    assert raised.because == (Fact("lambda_ratio", None, "1", "stale"),)
    assert raised.setpoint == "no good value of lambda_ratio for 0.5 s"
    assert raised.message == "No good value of lambda_ratio. Cannot judge: lean."


@pytest.mark.parametrize(("bad", "events"), [(50, []), (51, [(150, "boost", "lost"), (150, "lost: boost", "raised")])])
@pytest.mark.parametrize("quality", [OUT, INVALID])
def test_a_short_spell_out_of_range_is_no_loss(
    bench: Any, profile: Any, bad: int, events: list[Any], quality: Quality
) -> None:
    alive = {"lambda_ratio": every(5, 0, 400), "speed": every(100, 0, 400)}
    boost = every(1, 0, 100) + every(1, 100, 100 + bad, quality) + every(1, 100 + bad, 190)
    assert told(bench, watched(bench, profile, hold(bench, profile, 190, {**alive, "boost": boost}))) == events


def test_a_channel_never_seen_is_lost_five_seconds_after_the_start(bench: Any, profile: Any) -> None:
    alive = {"lambda_ratio": every(5, 0, 700), "speed": every(100, 0, 700)}
    events = watched(bench, profile, hold(bench, profile, 700, alive))
    assert told(bench, events) == [(500, "boost", "lost"), (500, "lost: boost", "raised")]
    lost = events[0]
    assert isinstance(lost, QualityChanged)
    assert (lost.what, lost.quality, lost.last, lost.unit, lost.age) == ("lost", "never seen", 1.0, "kPa", None)
    late = {**alive, "boost": every(10, 499, 700)}
    assert told(bench, watched(bench, profile, hold(bench, profile, 700, late))) == []


def test_a_run_without_frames_misses_no_channel_it_never_saw(bench: Any, profile: Any) -> None:
    """A table holds what it holds; what it stops to hold is lost all the same, and the bus is silent."""
    alive = {"lambda_ratio": every(5, 0, 900), "speed": every(100, 0, 900)}
    assert told(bench, watched(bench, profile, hold(bench, profile, 700, alive), frames=False)) == []
    stops = {"lambda_ratio": every(5, 0, 700), "speed": every(100, 0, 700)}
    found = told(bench, watched(bench, profile, hold(bench, profile, 1000, stops), frames=False))
    assert any(what.startswith("bus silent") for _, what, _ in found)
    missed = {(500, "boost", "lost"), (500, "lost: boost", "raised")}
    assert not missed & set(found)
    assert missed <= set(told(bench, watched(bench, profile, hold(bench, profile, 1000, stops))))


def test_a_channel_read_by_a_critical_or_high_alarm_is_lost_with_high_priority_and_others_with_low(bench: Any) -> None:
    units = dict.fromkeys(("a", "b", "c", "d", "e", "f", "ratio", "twice"), "1")
    formulas = {"ratio": "a / b", "twice": "ratio * 2"}
    channels = [
        Channel(name, "1", formula=compile_formula(formulas[name], units))
        if name in formulas
        else bench.channel(name, "1", "engine")
        for name in units
    ]
    alarms = [
        bench.alarm("one", "twice > 2", enable="c > 1", suppress="d > 1", priority="high", units=units),
        bench.alarm("two", "e > 2", priority="medium", units=units),
    ]
    states = AlarmSystem(bench.profile(alarms, channels)).states()
    priorities = {state.name: state.priority for state in states if state.built_in}
    assert priorities == {
        "bus silent: engine": "high", "lost: a": "high", "lost: b": "high", "lost: c": "high", "lost: d": "high",
        "lost: e": "low", "lost: f": "low", "other frames only: engine": "high",
    }  # fmt: skip
    messages = {state.name: state.message for state in states}
    assert messages["lost: a"] == "No good value of a. Cannot judge: one."
    assert messages["lost: f"] == "No good value of f."


def test_a_bus_that_falls_silent_is_one_alarm_and_its_channels_stay_quiet(bench: Any, profile: Any) -> None:
    stop = 503
    arrivals = {
        "lambda_ratio": every(5, 0, stop), "boost": every(10, 0, stop), "speed": every(100, 0, stop),
    }  # fmt: skip
    events = watched(bench, profile, hold(bench, profile, 800, arrivals))
    # The slowest to grow stale is speed, last heard at 500: stale from 701 on, and half a second more.
    assert [entry for entry in told(bench, events) if entry[2] == "raised"] == [(751, "bus silent: engine", "raised")]
    assert [entry for entry in told(bench, events) if entry[2] == "suppressed"] == [
        (751, "lost: lambda_ratio", "suppressed"),
        (751, "lost: boost", "suppressed"),
        (751, "lost: speed", "suppressed"),
    ]
    assert [entry[1] for entry in told(bench, events) if entry[2] == "lost"] == ["lambda_ratio", "boost", "speed"]
    raised = next(event for event in events if isinstance(event, AlarmChanged) and event.raised)
    assert raised.priority == "high"
    assert [entry.channel for entry in raised.because] == ["lambda_ratio", "boost", "speed"]


def test_when_the_bus_comes_back_slow_channels_have_the_time_they_need(bench: Any, profile: Any) -> None:
    arrivals = {
        "lambda_ratio": every(5, 0, 500) + every(5, 1000, 2000),
        "boost": every(10, 0, 500) + every(10, 1000, 2000),
        "speed": every(100, 0, 500) + every(100, 1150, 2000),
    }
    events = told(bench, watched(bench, profile, hold(bench, profile, 1200, arrivals)))
    assert [entry for entry in events if entry[2] not in ("lost", "back")] == [
        (651, "bus silent: engine", "raised"),
        *((651, f"lost: {name}", "suppressed") for name in arrivals),
        (1050, "bus silent: engine", "returned to normal"),
        *((1050, f"lost: {name}", "no longer suppressed") for name in arrivals),
    ]


def test_a_channel_that_does_not_come_back_with_its_bus_is_announced_then(bench: Any, profile: Any) -> None:
    arrivals = {
        "lambda_ratio": every(5, 0, 500) + every(5, 1000, 2000),
        "boost": every(10, 0, 500),
        "speed": every(100, 0, 500) + every(100, 1000, 2000),
    }
    events = told(bench, watched(bench, profile, hold(bench, profile, 1200, arrivals)))
    raised = [entry for entry in events if entry[2] == "raised"]
    # Its own age limit of 1 s after the bus came back (last silent at 999), and half a second more.
    assert raised == [(651, "bus silent: engine", "raised"), (1150, "lost: boost", "raised")]


def test_a_lost_channel_waits_two_seconds_at_the_most_for_a_slow_bus_to_prove_itself(bench: Any) -> None:
    channels = [
        bench.channel("boost", "kPa", "engine", stale_after=200_000_000),
        bench.channel("speed", "rpm", "engine", stale_after=60_000_000_000),
    ]
    profile = bench.profile([], channels)
    arrivals = {"boost": every(10, 0, 101), "speed": [(0, GOOD)]}
    events = told(bench, watched(bench, profile, hold(bench, profile, 600, arrivals)))
    # Lost from tick 120 by its age limit, shown at 121; 2 s of patience from 120 and half a second of delay.
    assert events == [(171, "boost", "lost"), (370, "lost: boost", "raised")]


def test_spells_of_silence_shorter_than_half_a_second_do_not_add_up(bench: Any) -> None:
    profile = bench.profile([], [bench.channel("boost", "kPa", "engine", stale_after=200_000_000)])
    # Silent from the 21st tick after a value on. Two spells of 50 ticks span 0.49 s each, that of 51 spans 0.5 s. Then
    # something comes for 50 ticks, which is as short of the off-delay.
    came = [0, 71, 142, 214, 230, 243, *range(270, 400, 10)]
    events = told(bench, watched(bench, profile, hold(bench, profile, 400, {"boost": [(at, GOOD) for at in came]})))
    assert [entry for entry in events if entry[1] == "bus silent: engine"] == [
        (213, "bus silent: engine", "raised"),
        (320, "bus silent: engine", "returned to normal"),
    ]


@pytest.mark.parametrize("slowest", [20, 50])
def test_frames_of_something_else_do_not_count_that_stop_before_the_channels_are_silent(
    bench: Any, slowest: int
) -> None:
    """All of them may have stopped together: the bus is silent."""
    limits = {"boost": 200_000_000, "speed": slowest * 10_000_000}
    profile = bench.profile([], [bench.channel(name, "1", "engine", stale_after=limits[name]) for name in limits])
    time = np.arange(0, 100 + slowest, 5) * 10_000_000
    n, none = len(time), np.zeros(len(time), np.uint8)
    others = FrameBatch(time, none, np.full(n, 0x321, np.uint32), none, none, np.zeros((n, 8), np.uint8), ("engine",))
    ticks = hold(bench, profile, 400, {name: every(10, 0, 101) for name in limits})
    events = told(bench, watched(bench, profile, ticks, others=others))
    raised = [entry for entry in events if entry[2] == "raised"]
    # Silent from the tick behind the longest age limit on, and half a second more.
    assert raised == [(100 + slowest + 1 + 50, "bus silent: engine", "raised")]


def test_two_buses_are_silent_each_for_itself(bench: Any) -> None:
    channels = [bench.channel("boost", "kPa", "engine"), bench.channel("speed", "rpm", "chassis")]
    profile = bench.profile([], channels)
    arrivals = {"boost": every(10, 0, 101), "speed": every(10, 0, 600)}
    events = told(bench, watched(bench, profile, hold(bench, profile, 600, arrivals)))
    assert [entry for entry in events if entry[2] == "raised"] == [(251, "bus silent: engine", "raised")]


def test_a_bus_on_which_nothing_is_ever_heard_is_silent_after_five_seconds(bench: Any, profile: Any) -> None:
    events = told(bench, watched(bench, profile, hold(bench, profile, 600, {})))
    assert [entry for entry in events if entry[2] == "raised"] == [(500, "bus silent: engine", "raised")]


def test_a_bus_that_carries_nothing_but_invalid_values_is_not_silent(bench: Any, profile: Any) -> None:
    arrivals = {name: every(10, 0, 300, INVALID) for name in ("lambda_ratio", "boost", "speed")}
    events = told(bench, watched(bench, profile, hold(bench, profile, 300, arrivals)))
    assert [entry[1] for entry in events if entry[2] == "raised"] == [
        "lost: lambda_ratio",
        "lost: boost",
        "lost: speed",
    ]


def test_a_bus_that_falls_silent_after_an_invalid_value_is_silent_all_the_same(bench: Any, profile: Any) -> None:
    arrivals = {name: [*every(10, 0, 100), (100, INVALID)] for name in ("lambda_ratio", "boost", "speed")}
    system = AlarmSystem(profile)
    system.observe(hold(bench, profile, 600, arrivals))
    states = {state.name: state.state for state in system.states() if state.built_in}
    assert states["bus silent: engine"] is State.UNACKNOWLEDGED
    assert {states[name] for name in states if name.startswith("lost")} == {State.SUPPRESSED}


def test_an_answer_of_the_diagnostic_port_belongs_to_its_bus(bench: Any) -> None:
    port = Diagnostics("diagnostics", 0x7DF, False, (), (Parameter(1, 0x0C, "speed", 2, ()),), ())
    channels = [
        Channel("speed", "rpm", parameter=(1, 0x0C, "speed")),
        bench.channel("boost", "kPa", "engine"),
    ]
    names = [state.name for state in AlarmSystem(bench.profile([], channels, diagnostics=(port,))).states()]
    assert names == [
        "bus silent: diagnostics", "bus silent: engine", "lost: speed", "lost: boost",
        "other frames only: diagnostics", "other frames only: engine",
    ]  # fmt: skip


def test_a_channel_that_only_a_table_can_bring_is_missed_once_it_was_seen(bench: Any) -> None:
    profile = bench.profile([], [Channel("torque", "N*m"), bench.channel("boost", "kPa", "engine")])
    alive = every(10, 0, 900)
    assert told(bench, watched(bench, profile, hold(bench, profile, 900, {"boost": alive}))) == []
    events = told(bench, watched(bench, profile, hold(bench, profile, 900, {"boost": alive, "torque": [(100, GOOD)]})))
    assert events == [(251, "torque", "lost"), (251, "lost: torque", "raised")]


def test_computed_channels_and_those_a_poll_adds_are_not_watched(bench: Any) -> None:
    units = {"boost": "kPa", "twice": "kPa"}
    channels = [
        bench.channel("boost", "kPa", "engine"),
        Channel("twice", "kPa", formula=compile_formula("boost * 2", units)),
        Channel("coolant_temperature", "degC", signal=("engine", 1, False, "x"), declared=False),
    ]
    names = [state.name for state in AlarmSystem(bench.profile([], channels)).states()]
    assert names == ["bus silent: engine", "lost: boost", "other frames only: engine"]


def test_the_alarm_of_a_lost_channel_can_be_acknowledged_shelved_and_removed_from_service(
    bench: Any, profile: Any
) -> None:
    system = AlarmSystem(profile)
    alive = {"lambda_ratio": every(5, 0, 700), "speed": every(100, 0, 700)}
    system.observe(hold(bench, profile, 700, alive))
    name = "lost: boost"
    assert bench.act(system, "acknowledge", name, 699)[0].state == "acknowledged alarm"
    assert bench.act(system, "shelve", name, 699, duration=10**9)[0].state == "shelved"
    assert [event.transition for event in bench.act(system, "unshelve", name, 699)] == ["unshelved", "raised"]
    assert bench.act(system, "remove_from_service", name, 699, text="not fitted")[0].state == "out of service"


qualities = st.sampled_from([GOOD, GOOD, GOOD, OUT, INVALID])
spells = st.lists(st.tuples(st.sampled_from([1, 5, 30, 100, 300]), st.integers(1, 6), qualities), max_size=12)


@settings(max_examples=25, deadline=None)
@given(spells=st.tuples(spells, spells, spells, spells), cuts=st.lists(st.integers(1, 1999), max_size=10))
def test_losses_are_the_same_however_the_ticks_are_cut_and_follow_the_plain_rule(
    bench: Any, spells: Any, cuts: list[int]
) -> None:
    channels = [
        bench.channel("a", "1", "engine", stale_after=200_000_000),
        bench.channel("b", "1", "engine"),
        bench.channel("c", "1", "engine", stale_after=3_000_000_000),
        bench.channel("d", "1", "chassis"),
    ]
    profile = bench.profile([], channels)
    arrivals: Arrivals = {}
    for channel, parts in zip(channels, spells, strict=True):
        at, came = 0, []
        for gap, times, quality in parts:
            for _ in range(times):
                at += gap
                came.append((at, quality))
        arrivals[channel.name] = came
    ticks = hold(bench, profile, 2000, arrivals)
    whole = AlarmSystem(profile).observe(ticks)
    assert bench.run(AlarmSystem(profile), ticks, cuts) == whole
    assert [entry for entry in told(bench, whole) if entry[2] in ("lost", "back")] == plainly_lost(profile, ticks)


def plainly_lost(profile: Any, ticks: TickBatch) -> list[tuple[int, str, str]]:
    """Lost after 51 bad ticks in a row (never seen counts from 4.5 s on), back after 51 good ones."""
    found = []
    for row, channel in enumerate(profile.channels):
        lost, bad, good = False, 0, 0
        was_good, never = (ticks.quality[row] == GOOD).tolist(), (ticks.quality[row] == NEVER).tolist()
        for tick in range(len(ticks)):
            is_bad = not was_good[tick] and (not never[tick] or tick >= 450)
            bad = bad + 1 if is_bad else 0
            good = good + 1 if was_good[tick] else 0
            if (not lost and bad == 51) or (lost and good == 51):
                lost = not lost
                found.append((tick, row, channel.name, "lost" if lost else "back"))
    return [(tick, name, what) for tick, _, name, what in sorted(found)]
