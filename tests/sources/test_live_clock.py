"""Adapters that keep their own time."""

from __future__ import annotations

import numpy as np

from livewatch.sources.live.clock import SetAhead, StampClock

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


def test_a_clock_that_is_set_ahead_is_told_from_silence_and_from_a_process_that_stood_still():
    second = 1_000_000_000
    watch, utc = SetAhead(), 1_760_000_000 * second
    assert watch.place(np.array([utc, utc + second]), 100 * second) is None
    assert watch.place(np.array([utc + 61 * second]), 160 * second) is None, "silence: time passed here as well"
    # Stopped for 8 s: what waited is taken at once.
    waited = utc + np.arange(61, 70) * second
    assert watch.place(waited[:5], 168 * second) is None
    assert watch.place(waited[5:], 168 * second + 1000) is None, "they catch up"
    assert watch.place(np.array([utc + 70 * second, utc + 110 * second]), 169 * second) == 1
    assert watch.place(np.array([utc + 111 * second]), 170 * second) is None, "from then on that is the time"
    assert watch.place(np.array([utc + 72 * second]), 171 * second) is None, "set back: the stamps say so themselves"
    assert watch.place(np.array([utc + 113 * second]), 172 * second) == 0, "and right again"
