"""The same ticks cut in any way give the same lines of the event log, to the last digit; quiet ticks cost little."""

from __future__ import annotations

import subprocess
import sys
import time
from itertools import pairwise
from typing import Any

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from livewatch.alarms import ActionError, AlarmSystem
from livewatch.data.event_json import line_of
from livewatch.data.samples import Quality
from livewatch.data.ticks import TickBatch
from livewatch.profile.formula.compile import compile_formula
from livewatch.profile.model import Channel, Profile

UNITS = {"lambda_1": "1", "boost": "kPa", "speed": "rpm", "lambda_mean": "1"}


def car(bench: Any) -> Profile:
    mean = compile_formula("mean(lambda_1, 0.2 s)", UNITS)
    channels = [
        bench.channel("lambda_1", "1", "engine", stale_after=100_000_000),
        bench.channel("boost", "kPa", "engine", stale_after=300_000_000),
        bench.channel("speed", "rpm", "chassis"),
        Channel("lambda_mean", "1", formula=mean),
    ]
    alarms = [
        bench.alarm(
            "lean_under_load", "mean(lambda_1, 0.1 s) > 1.06", "0.02", enable="hold(boost, 0.2 s) > 120 kPa",
            on_delay=50_000_000, off_delay=100_000_000, priority="critical", latching=True, units=UNITS,
        ),
        bench.alarm("overboost", "boost > 150 kPa", "5 kPa", suppress="recently(speed < 2000 rpm, 0.3 s)", units=UNITS),
        bench.alarm("hunting", "abs(rate(boost, 0.1 s)) > 300 kPa/s", priority="low", units=UNITS),
    ]  # fmt: skip
    profile: Profile = bench.profile(alarms, channels)
    return profile


def restless(bench: Any, profile: Profile, seed: int, n: int) -> TickBatch:
    """A random walk of every channel, with spells of lost values."""
    chance = np.random.default_rng(seed)

    def walk(start: float, step: float, low: float, high: float) -> Any:
        return np.clip(start + np.cumsum(chance.normal(0, step, n)), low, high)

    columns = {
        "lambda_1": walk(1.05, 0.01, 0.9, 1.2),
        "boost": walk(135, 3, 60, 200),
        "speed": walk(2500, 60, 800, 7e3),
    }
    quality = {}
    for name in columns:
        grades = np.zeros(n, np.uint8)
        for _ in range(3):
            start = int(chance.integers(0, n))
            grades[start : start + int(chance.integers(1, 150))] = int(chance.choice([1, 1, 2, 3]))
        if chance.random() < 0.3:
            grades[: int(chance.integers(1, n))] = Quality.NEVER_SEEN
        quality[name] = grades
    age = {name: np.where(grades == 4, np.nan, grades * 0.31) for name, grades in quality.items()}
    ticks: TickBatch = bench.ticks(profile, {**columns, "lambda_mean": columns["lambda_1"]}, 0, quality, age)
    return ticks


ACTIONS = ["acknowledge", "acknowledge_all", "shelve", "unshelve", "remove_from_service", "return_to_service"]
NAMES = ["lean_under_load", "overboost", "hunting", "lost: boost", "bus silent: engine"]
actions = st.lists(st.tuples(st.integers(1, 1199), st.sampled_from(ACTIONS), st.sampled_from(NAMES)), max_size=8)


def log(bench: Any, profile: Profile, ticks: TickBatch, cuts: list[int], acts: list[Any]) -> list[str]:
    """The lines of the event log: actions are given after the tick before their offset."""
    system = AlarmSystem(profile)
    lines: list[str] = []
    edges = sorted({0, len(ticks), *cuts, *(act[0] for act in acts)})
    for start, stop in pairwise(edges):
        lines.extend(line_of(event, 0) for event in system.observe(ticks[start:stop]))
        for at, kind, name in acts:
            if at == stop:
                try:
                    events = bench.act(system, kind, name, stop - 1, duration=700_000_000, text="checked")
                except ActionError as refused:
                    lines.append(str(refused))
                else:
                    lines.extend(line_of(event, 0) for event in events)
    lines.append(repr(system.states()))
    lines.append(repr(system.figures()))
    return lines


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 2**32), cuts=st.lists(st.integers(1, 1199), max_size=12), acts=actions)
def test_cutting_the_ticks_changes_no_byte_of_the_event_log(
    bench: Any, seed: int, cuts: list[int], acts: list[Any]
) -> None:
    profile = car(bench)
    ticks = restless(bench, profile, seed, 1200)
    assert log(bench, profile, ticks, cuts, acts) == log(bench, profile, ticks, [], acts)


def test_one_tick_at_a_time_gives_the_log_that_the_whole_drive_gives(bench: Any) -> None:
    profile = car(bench)
    ticks = restless(bench, profile, 7, 1200)
    whole = log(bench, profile, ticks, [], [])
    assert len(whole) > 40
    assert log(bench, profile, ticks, list(range(1, 1200)), []) == whole


def quiet_cost(bench: Any, n: int, times: int) -> float:
    """Seconds of processor time a call for 60 quiet alarms and 20 watched channels, those of the formulas taken off."""
    units = {f"channel_{i}": "kPa" for i in range(20)}
    alarms = [
        bench.alarm(
            f"alarm_{i}", f"channel_{i % 20} > {150 + i} kPa", "5 kPa", enable="channel_1 > 50 kPa",
            on_delay=300_000_000, off_delay=10**9, units=units,
        )
        for i in range(60)
    ]  # fmt: skip
    profile = bench.profile(alarms, [bench.channel(name, "kPa", "engine") for name in units])
    system = AlarmSystem(profile)
    runs = [
        formula.start(profile.index, profile.period)
        for alarm in alarms
        for formula in (alarm.condition, alarm.clear, alarm.enable)
    ]
    columns = {name: np.full(n, 100.0) for name in units}
    whole, formulas = [], []
    for k in range(times):
        ticks = bench.ticks(profile, columns, k * n)
        began = time.thread_time()
        assert system.observe(ticks) == []
        whole.append(time.thread_time() - began)
        began = time.thread_time()
        for run in runs:
            run.evaluate(ticks.value, ticks.first)
        formulas.append(time.thread_time() - began)
    return min(whole) - min(formulas)


def test_quiet_ticks_cost_little_beyond_the_formulas(bench: Any) -> None:
    """Measured: about 7 us an alarm for 8192 ticks and 4 us for 2 ticks; the limits leave room for a busy machine."""
    assert quiet_cost(bench, 8192, 8) < 60 * 100e-6
    assert quiet_cost(bench, 2, 100) < 60 * 40e-6


def test_the_alarms_import_neither_screen_nor_broker_nor_bus() -> None:
    """The pipeline runs without them."""
    code = (
        "import sys, livewatch.alarms;"
        "found = {'textual', 'aiomqtt', 'can', 'rich', 'asyncio'} & set(sys.modules);"
        "sys.exit(str(found) if found else 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")
