"""Adapters that keep their own time."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

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


def drifting(rate: float, hours: float, delays: np.ndarray) -> tuple[np.ndarray, np.ndarray, StampClock]:
    """An hour and more of frames every 500 ms, stamped by a clock that runs `rate` times as fast as the host's, each
    taken some ms later; the true times of the frames, what they were aligned to, and the clock."""
    clock = StampClock()
    true = HOST + np.arange(1, round(hours * 7_200), dtype=np.int64) * (SECOND // 2)
    own = 40 * SECOND + ((true - HOST) * rate).astype(np.int64) // 1000 * 1000
    aligned = [clock.align(own[at : at + 1], HOST + SECOND // 2, int(true[at] + delays[at % len(delays)]))[0]
               for at in range(len(true))]  # fmt: skip
    return true, np.array(aligned), clock


def test_two_adapters_whose_clocks_drift_apart_stay_together():
    """One runs 100 ppm fast, one 100 ppm slow: 0.72 s apart after an hour, were they left alone."""
    delays = np.random.default_rng(16).uniform(0.2e6, 8e6, 997).astype(np.int64)
    true, fast, _ = drifting(1.0001, 1.0, delays)
    _, slow, _ = drifting(0.9999, 1.0, delays[::-1])
    assert np.abs(fast - true).max() < 8_000_000 and np.abs(slow - true).max() < 8_000_000
    assert np.abs(fast - slow).max() < 10_000_000
    for aligned in (fast, slow):
        steps = np.diff(aligned)
        assert np.abs(steps - SECOND // 2).max() <= 6e-4 * SECOND / 2, "intervals stay the adapter's own"


def test_a_clock_that_runs_right_is_not_drawn_by_frames_that_were_taken_late():
    delays = np.random.default_rng(17).uniform(0.2e6, 60e6, 997).astype(np.int64)
    true, aligned, clock = drifting(1.0, 0.2, delays)
    assert np.abs(aligned - true).max() < 8_000_000 and clock.restarts == 0


def test_a_microsecond_counter_that_wraps_is_followed_on():
    clock = StampClock()
    true = HOST + np.arange(1, 9_000, dtype=np.int64) * SECOND
    own = ((true - HOST) * 1.0001).astype(np.int64) // 1000 * 1000 % (2**32 * 1000)
    aligned = np.array([clock.align(own[at : at + 1], int(true[0]), int(true[at]))[0] for at in range(len(true))])
    assert clock.restarts == 2 and np.abs(aligned - true).max() < 10_000_000


def epoch_clock(
    rate: float, seconds: int, delays: np.ndarray, steps: tuple[tuple[float, float], ...] = ()
) -> tuple[np.ndarray, np.ndarray]:
    """Frames five times a second, stamped by a clock that was given the Unix epoch when it was opened and runs `rate`
    times as fast as the host's, which is set at `steps` (s, by how many s); the true times, and what they became."""
    clock, true = StampClock(), np.arange(1, 5 * seconds, dtype=np.int64) * (SECOND // 5)
    own = HOST + (true * rate).astype(np.int64) // 1000 * 1000
    taken = true + np.resize(delays, len(true))
    now = HOST + taken + sum((taken >= at * 1e9) * round(by * 1e9) for at, by in steps)
    aligned = [clock.align(own[at : at + 1], int(now[0]), int(now[at]), int(taken[at]))[0] for at in range(len(true))]
    return true, np.array(aligned) - HOST


WAITS = np.random.default_rng(18).uniform(0.2e6, 12e6, 997).astype(np.int64)


@pytest.mark.parametrize("ppm", [20, -20, 100, -100, 400, -400])
def test_a_clock_of_its_own_that_was_given_the_unix_epoch_is_drawn_to_the_host_clock(ppm: int) -> None:
    true, aligned = epoch_clock(1 + ppm / 1e6, 1600 if abs(ppm) == 20 else 900, WAITS)
    off = np.abs(aligned - true)
    assert off.max() < 60_000_000, "until it is sure"
    assert off[-500:].max() < 10_000_000, "and then close"
    assert np.abs(np.diff(aligned) - SECOND // 5).max() <= 1e-3 * SECOND / 5, "intervals stay its own"


def test_a_clock_of_its_own_that_runs_right_is_left_alone() -> None:
    true, aligned = epoch_clock(1.0, 600, WAITS)
    assert aligned.tolist() == (true // 1000 * 1000).tolist()


@pytest.mark.parametrize("by", [3600.0, -3600.0])
@pytest.mark.parametrize("at", [50.0, 500.0])
def test_a_clock_of_its_own_is_not_drawn_after_a_host_clock_that_is_set(at: float, by: float) -> None:
    """Before it was known for what it is, and after."""
    true, aligned = epoch_clock(1.0001, 1000, WAITS, ((at, by),))
    off = np.abs(aligned - true)
    assert off.max() < 60_000_000 and np.abs(np.diff(aligned) - SECOND // 5).max() <= 1e-3 * SECOND / 5


@given(
    st.integers(0, 2**32),
    st.lists(st.sampled_from([0.0, 0.001, 0.02, 0.2, 2.0]), min_size=4, max_size=8),
    st.lists(st.tuples(st.floats(0, 400), st.floats(0.1, 30.0)), max_size=4),
    st.lists(st.tuples(st.floats(0, 400), st.sampled_from([-3600.0, -10.0, -0.2, 0.2, 10.0, 3600.0])), max_size=3),
)
@settings(max_examples=25, deadline=None)
def test_what_the_host_clock_stamped_stays_as_it_is(
    seed: int, busy: list[float], stops: list[tuple[float, float]], steps: list[tuple[float, float]]
) -> None:
    """On a machine that is more and less busy (mean wait in s, from time to time), with the process stopped meanwhile
    and the clock set back and forth."""
    true = np.arange(1, 1600, dtype=np.int64) * (SECOND // 4)
    level = np.interp(true, np.linspace(0, true[-1], len(busy)), busy)
    taken = true + (np.random.default_rng(seed).exponential(level * 1e9 + 1e5)).astype(np.int64)
    for at, long in stops:
        begins, ends = round(at * 1e9), round((at + long) * 1e9)
        taken = np.where((taken >= begins) & (taken < ends), ends, taken)
    turn = np.arange(len(true)) * 30_000
    taken = np.maximum.accumulate(taken - turn) + turn
    clock = StampClock()

    def host(running: np.ndarray) -> np.ndarray:
        return HOST + running + sum((running >= at * 1e9) * round(by * 1e9) for at, by in steps)

    stamped, now = host(true) // 1000 * 1000, host(taken)
    for at in range(len(true)):
        given_out = clock.align(stamped[at : at + 1], int(stamped[0]), int(now[at]), int(taken[at]))
        assert given_out[0] == stamped[at]
