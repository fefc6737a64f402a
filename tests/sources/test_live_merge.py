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
    merged = Merge(BUSES).take([frames(0, [10, 30, 50]), frames(1, [20, 40])])
    assert merged.time.tolist() == [10, 20, 30, 40, 50]
    assert merged.bus.tolist() == [0, 1, 0, 1, 0]


def test_what_was_taken_waits_until_all_adapters_were_seen_empty():
    merge = Merge(BUSES)
    assert len(merge.take([frames(0, [10, 20, 30])], moment=1.0, emptied=0.9)) == 0
    assert merge.take([frames(1, [25, 35])], moment=2.0, emptied=1.0).time.tolist() == [10, 20, 25, 30]
    assert len(merge.take([], moment=3.0, emptied=1.9)) == 0
    assert merge.take([], moment=4.0, emptied=2.0).time.tolist() == [35]
    assert len(merge.take([])) == 0


def test_a_frame_older_than_what_was_given_out_waits_for_nothing():
    merge = Merge(BUSES)
    assert merge.take([frames(0, [30])], moment=1.0, emptied=1.0).time.tolist() == [30]
    assert merge.take([frames(1, [25, 35])], moment=2.0, emptied=1.0).time.tolist() == [25]


def test_what_is_not_given_out_yet_says_since_when():
    merge = Merge(BUSES)
    assert merge.since is None
    merge.take([frames(0, [10])], moment=1.0, emptied=0.0, since=0.5)
    merge.take([frames(1, [11])], moment=2.0, emptied=0.0, since=0.9)
    assert merge.since == 0.5
    merge.take([], moment=3.0, emptied=1.5)
    assert merge.since == 0.9
    merge.take([])
    assert merge.since is None


def test_a_clock_that_steps_back_keeps_the_order_of_its_bus():
    merge = Merge(BUSES)
    assert len(merge.take([frames(0, [1000, 1001])], moment=1.0, emptied=0.0)) == 0
    assert merge.take([frames(0, [5, 6], first=2)], moment=2.0, emptied=1.0).identifier.tolist() == [0, 1, 2, 3]
    assert merge.take([frames(0, [1000, 1001, 5, 6])]).identifier.tolist() == [0, 1, 2, 3]


takes_of_two_buses = st.lists(
    st.tuples(
        st.lists(st.integers(0, 60), max_size=6),
        st.lists(st.integers(0, 60), max_size=6),
        st.one_of(st.none(), st.integers(0, 8)),
    ),
    max_size=8,
)


@given(takes_of_two_buses)
def test_every_frame_comes_out_once_in_the_order_of_its_bus_when_its_take_is_due(takes):
    """Whatever the stamps say."""
    merge = Merge(BUSES)
    given_out: list[FrameBatch] = []
    count = [0, 0]
    taken: list[int] = []
    for moment, (first, second, emptied) in enumerate(takes):
        batches = []
        for bus, times in enumerate((first, second)):
            if times:
                batches.append(frames(bus, times, count[bus]))
                count[bus] += len(times)
        taken.append(sum(count))
        given_out.append(merge.take(batches, moment, emptied))
        due = max((taken[one] for one in range(moment + 1) if emptied is None or one <= emptied), default=0)
        assert sum(map(len, given_out)) >= due, "what was taken before the adapters were empty must be out"
    given_out.append(merge.take([]))
    everything = FrameBatch.concatenate(given_out)
    for bus in range(2):
        assert everything.identifier[everything.bus == bus].tolist() == list(range(count[bus]))


@given(
    received=st.lists(st.tuples(st.integers(0, 1), st.integers(0, 100)), max_size=30),
    rounds=st.lists(st.tuples(st.booleans(), st.booleans(), st.integers(1, 30)), min_size=1, max_size=20),
)
def test_no_frame_is_late_however_long_an_adapter_is_left_waiting(received, rounds):
    """Two adapters, each read in some rounds and not in others; a frame's stamp is the moment it was received."""
    merge = Merge(BUSES)
    given_out: list[int] = []
    waiting = [sorted(moment for bus, moment in received if bus == one) for one in range(2)]
    emptied = [0, 0]
    now = 0
    for *read, passed in rounds:
        now += passed
        batches = []
        for bus in range(2):
            if read[bus]:
                come = [moment for moment in waiting[bus] if moment < now]
                waiting[bus] = waiting[bus][len(come) :]
                emptied[bus] = now
                if come:
                    batches.append(frames(bus, come))
        given_out += merge.take(batches, now, min(emptied)).time.tolist()
    given_out += merge.take([]).time.tolist()
    assert given_out == sorted(given_out)
