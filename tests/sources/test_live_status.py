"""The load of a bus, from published frame lengths."""

from __future__ import annotations

import numpy as np
import pytest

from livewatch.data.frames import BRS, ERROR, EXTENDED, FD, REMOTE, FrameBatch
from livewatch.sources.live.status import Traffic, worst_case_bits, worst_case_bits_fd

SECOND = 1_000_000_000

# Davis, Burns, Bril, Lukkien 2007, "Controller Area Network (CAN) schedulability analysis: refuted, revisited and
# revised", the equation for C_m, for 0 to 8 data bytes.
STANDARD = [55, 65, 75, 85, 95, 105, 115, 125, 135]
LONG = [80, 90, 100, 110, 120, 130, 140, 150, 160]


def frames(count: int, length: int = 8, flags: int = 0) -> FrameBatch:
    return FrameBatch(
        np.zeros(count, np.int64),
        np.zeros(count, np.uint8),
        np.full(count, 0x100, np.uint32),
        np.full(count, flags, np.uint8),
        np.full(count, length, np.uint8),
        np.zeros((count, 8 if length <= 8 else 64), np.uint8),
        ("engine",),
    )


@pytest.mark.parametrize("length", range(9))
def test_frame_lengths_are_those_of_davis_et_al(length):
    assert worst_case_bits(frames(1, length)).tolist() == [STANDARD[length]]
    assert worst_case_bits(frames(1, length, EXTENDED)).tolist() == [LONG[length]]


def test_a_remote_frame_carries_no_data_whatever_it_asks_for():
    assert worst_case_bits(frames(1, 8, REMOTE)).tolist() == [STANDARD[0]]


@pytest.mark.parametrize("bitrate,full", [(500_000, 3703), (1_000_000, 7407)])
def test_a_full_bus_shows_a_load_of_one(bitrate, full):
    """3703 and 7407 eight-byte standard frames a second at the least fill 500 kbit/s and 1 Mbit/s."""
    traffic = Traffic(bitrate, 0)
    traffic.add(frames(full), 100)
    rate, load = traffic.rate_and_load(SECOND)
    assert rate == full
    assert load == pytest.approx(1.0, abs=3e-4)


def test_a_bus_that_went_quiet_shows_nothing_after_a_second():
    traffic = Traffic(500_000, 0)
    traffic.add(frames(100), 1)
    assert traffic.rate_and_load(SECOND)[0] == 100
    assert traffic.rate_and_load(2 * SECOND) == (0.0, 0.0)
    assert traffic.last == 1


@pytest.mark.parametrize("length,extended,nominal,fast", [(8, 0, 34, 113), (64, 0, 34, 678), (64, EXTENDED, 57, 679)])
def test_flexible_data_rate_frames_are_as_long_as_their_fields(length, extended, nominal, fast):
    """By hand from the fields of ISO 11898-1:2015. Bordoloi and Samii 2014 have 28 + 10 s, and 5 more above 16 bytes,
    for the data phase before that edition (from memory): it added a stuff count of 4 bits and a fixed stuff bit to it.
    (After 36 bits before the switch one more stuff bit may fall behind it.)"""
    found = worst_case_bits_fd(frames(1, length, FD | extended))
    assert [int(one[0]) for one in found] == [nominal, fast]
    assert fast == 28 + 10 * length + (5 if length > 16 else 0) + 5 + (1 if extended else 0)


def test_the_data_phase_goes_at_its_own_rate():
    """Of 64 bytes: 34 bits at 500 kbit/s and 678 at 2 Mbit/s, or all at 500 kbit/s without the switch."""
    for flags, seconds in ((FD | BRS, 34 / 5e5 + 678 / 2e6), (FD, 712 / 5e5)):
        traffic = Traffic(500_000, 0, 2_000_000)
        traffic.add(frames(100, 64, flags), 1)
        assert traffic.rate_and_load(SECOND) == (100.0, pytest.approx(100 * seconds))


def test_load_is_unknown_without_a_bit_rate_and_where_that_of_the_data_phase_is_not_known():
    unknown = Traffic(None, 0)
    unknown.add(frames(10), 1)
    assert unknown.rate_and_load(SECOND) == (10.0, None)
    mixed = Traffic(500_000, 0)
    mixed.add(frames(10, flags=FD | BRS), 1)
    assert mixed.rate_and_load(SECOND) == (10.0, None)
    assert mixed.rate_and_load(2 * SECOND) == (0.0, 0.0)


def test_error_frames_are_counted_apart():
    traffic = Traffic(500_000, 0)
    traffic.add(frames(3, flags=ERROR), 1)
    assert (traffic.frames, traffic.error_frames, traffic.last) == (0, 3, None)
