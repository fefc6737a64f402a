"""The same drive in any pieces says the same, to the last digit."""

from __future__ import annotations

import json
import pickle
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from livewatch.data.events import Event
from livewatch.signature import Signature


@pytest.fixture(scope="module")
def drive(lab: Any) -> Any:
    """Two rounds of the bench, a pull at the end, noise and gaps in it."""
    bench = lab.Bench().tour(lab.Fault(metered=lambda point: 0.9), rounds=2)
    for step in range(30):
        bench.hold(lab.Point(2000.0 + 120.0 * step, 190.0, 100.0, 0.85, 0.3), lab.Fault(), closed=False)
    bench.hold(lab.IDLE, lab.Fault())
    arrays = bench.arrays()
    rng = np.random.default_rng(1)
    for name in ("mass_air_flow", "manifold_pressure", "engine_speed"):
        arrays[name] = arrays[name] * (1.0 + 0.004 * rng.normal(size=len(arrays[name])))
    arrays["lambda_1"][40:47] = np.nan
    profile = lab.profile()
    return profile, lab.ticks(profile, arrays)


@pytest.fixture(scope="module")
def whole(drive: Any) -> Any:
    """What is told where it is not cut."""
    profile, ticks = drive
    return told(profile, ticks, [])


def told(profile: Any, ticks: Any, cuts: list[int]) -> tuple[str, list[Event]]:
    signature = Signature(profile)
    events: list[Event] = []
    for start, stop in zip([0, *cuts], [*cuts, len(ticks)], strict=True):
        events += signature.observe(ticks[start:stop])
    events += signature.finish()
    return json.dumps(signature.finding().to_json()), events


def test_tick_by_tick_is_the_same_as_all_at_once(drive: Any, whole: Any) -> None:
    profile, ticks = drive
    assert whole[1], "the pull must be told"
    assert told(profile, ticks, list(range(1, len(ticks)))) == whole


@settings(max_examples=6, deadline=None)
@given(st.data())
def test_any_cutting_is_the_same(drive: Any, whole: Any, data: st.DataObject) -> None:
    profile, ticks = drive
    cuts = sorted(data.draw(st.sets(st.integers(0, len(ticks)), max_size=40)))
    assert told(profile, ticks, cuts) == whole


def test_asking_in_between_changes_nothing(drive: Any, whole: Any) -> None:
    profile, ticks = drive
    asked = Signature(profile)
    for start in range(0, len(ticks), 197):
        asked.observe(ticks[start : start + 197])
        asked.finding()
    asked.finish()
    assert json.dumps(asked.finding().to_json()) == whole[0]


def test_an_event_carries_the_time_of_a_tick_of_the_batch_that_told_it(drive: Any) -> None:
    profile, ticks = drive
    signature = Signature(profile)
    for start in range(0, len(ticks), 13):
        piece = ticks[start : start + 13]
        for event in signature.observe(piece):
            assert event.time in piece.time.tolist()
            assert event.utc in piece.utc.tolist()


def test_a_copy_goes_on_as_the_original_does(drive: Any) -> None:
    profile, ticks = drive
    half = len(ticks) // 2
    signature = Signature(profile)
    signature.observe(ticks[:half])
    copy = pickle.loads(pickle.dumps(signature))
    for one in (signature, copy):
        one.observe(ticks[half:])
        one.finish()
    assert signature.finding().to_json() == copy.finding().to_json()


def test_memory_does_not_grow_with_the_length_of_the_drive(lab: Any) -> None:
    profile = lab.profile()
    arrays = lab.Bench().tour(lab.Fault(), rounds=1, points=lab.TOUR[:5]).arrays()
    n = len(arrays["engine_speed"])
    signature = Signature(profile)
    sizes = []
    for lap in range(60):
        ticks = lab.ticks(profile, arrays, lap * n)
        signature.observe(ticks)
        if lap in (20, 59):
            sizes.append(len(pickle.dumps(signature)))
    assert sizes[1] <= 1.02 * sizes[0]
