"""Frames of several buses in one order."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from livewatch.data.frames import FrameBatch
from livewatch.sources.live.merge import Merge

BUSES = ("engine", "cell")


def frames(bus: int, times: list[int], first: int = 0) -> FrameBatch:
    """Frames of one bus; the identifier numbers them in order of arrival."""
    n = len(times)
    return FrameBatch(
        np.array(times, np.int64),
        np.full(n, bus, np.uint8),
        np.arange(first, first + n, dtype=np.uint32),
        np.zeros(n, np.uint8),
        np.zeros(n, np.uint8),
        np.zeros((n, 8), np.uint8),
        BUSES,
    )


def test_two_buses_come_out_in_order_of_time():
    merged = Merge(BUSES).take([frames(0, [10, 30, 50]), frames(1, [20, 40])], None)
    assert merged.time.tolist() == [10, 20, 30, 40, 50]
    assert merged.bus.tolist() == [0, 1, 0, 1, 0]


def test_the_newest_wait_once_for_the_other_bus():
    merge = Merge(BUSES)
    assert merge.take([frames(0, [10, 20, 30])], 20).time.tolist() == [10, 20]
    assert merge.take([frames(1, [25, 35])], 30).time.tolist() == [25, 30]
    assert merge.take([], 0).time.tolist() == [35]
    assert len(merge.take([], None)) == 0


def test_a_clock_that_steps_back_keeps_the_order_of_its_bus():
    merge = Merge(BUSES)
    assert merge.take([frames(0, [1000, 1001])], 999).time.tolist() == []
    assert merge.take([frames(0, [5, 6], first=2)], 6).identifier.tolist() == [0, 1]
    assert merge.take([], 0).identifier.tolist() == [2, 3]
    assert merge.take([frames(0, [1000, 1001, 5, 6])], None).identifier.tolist() == [0, 1, 2, 3]


@given(
    st.lists(
        st.tuples(
            st.lists(st.integers(0, 60), max_size=6),
            st.lists(st.integers(0, 60), max_size=6),
            st.one_of(st.none(), st.integers(0, 60)),
        ),
        max_size=8,
    )
)
def test_every_frame_comes_out_once_in_the_order_of_its_bus_at_most_one_take_late(takes):
    merge = Merge(BUSES)
    given_out: list[FrameBatch] = []
    count = [0, 0]
    owed = 0
    for first, second, horizon in takes:
        batches = []
        for bus, times in enumerate((first, second)):
            if times:
                batches.append(frames(bus, times, count[bus]))
                count[bus] += len(times)
        before = sum(map(len, given_out))
        given_out.append(merge.take(batches, horizon))
        assert len(given_out[-1]) >= owed, "what was kept back the last time must come out now"
        owed = sum(count) - before - len(given_out[-1])
    given_out.append(merge.take([], None))
    everything = FrameBatch.concatenate(given_out)
    for bus in range(2):
        assert everything.identifier[everything.bus == bus].tolist() == list(range(count[bus]))
