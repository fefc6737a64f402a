"""Adapters that keep their own time."""

from __future__ import annotations

import numpy as np

from livewatch.sources.live.clock import StampClock

HOST = 1_790_000_000_000_000_000
SECOND = 1_000_000_000


def stamps(*seconds: float) -> np.ndarray:
    return np.array([round(second * 1e6) * 1000 for second in seconds], np.int64)


def test_stamps_of_the_unix_epoch_are_left_alone():
    clock = StampClock()
    given = HOST + stamps(-0.004, 0.1, 0.05)
    assert clock.align(given, HOST, HOST).tolist() == given.tolist()
    later = HOST + stamps(-100.0)
    assert clock.align(later, HOST, HOST).tolist() == later.tolist(), "a host clock set back is told, not hidden"


def test_a_clock_from_power_up_is_put_at_the_host_clock_once():
    clock = StampClock()
    first = clock.align(stamps(12.5, 12.6), HOST, HOST + SECOND)
    assert first.tolist() == [HOST, HOST + SECOND // 10]
    # An hour later the host's clock has moved on by something else: the adapter's intervals stay its own.
    much_later = clock.align(stamps(3612.5), HOST, HOST + 3601 * SECOND)
    assert much_later.tolist() == [HOST + 3600 * SECOND]
    assert clock.restarts == 0


def test_a_microsecond_counter_of_32_bits_that_wraps_goes_on_from_the_host_clock():
    clock = StampClock()
    wrap = 2**32 / 1e6
    clock.align(stamps(wrap - 1.0), HOST, HOST)
    aligned = clock.align(stamps(wrap - 0.001, 0.001, 0.002), HOST, HOST + SECOND)
    assert clock.restarts == 1
    assert aligned.tolist() == [HOST + 999_000_000, HOST + SECOND, HOST + SECOND + 1_000_000]


def test_a_small_step_back_of_an_own_clock_is_kept():
    clock = StampClock()
    clock.align(stamps(10.0), HOST, HOST)
    assert clock.align(stamps(9.0), HOST, HOST + SECOND).tolist() == [HOST - SECOND]
    assert clock.restarts == 0


def test_an_adapter_opened_anew_is_aligned_anew():
    clock = StampClock()
    clock.align(stamps(3.0), HOST, HOST)
    clock.begin()
    assert clock.align(stamps(1.5), HOST + 60 * SECOND, HOST + 60 * SECOND).tolist() == [HOST + 60 * SECOND]


def test_no_frames_change_nothing():
    clock = StampClock()
    assert len(clock.align(stamps(), HOST, HOST)) == 0
    assert clock.offset is None
