"""A signal of any kind, anywhere in a classic or CAN FD frame, has the value that cantools computes."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import cantools
import numpy as np
import pytest
from cantools.database.conversion import BaseConversion
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from livewatch.data.frames import FD, FrameBatch
from livewatch.data.samples import Quality
from livewatch.decode import Decoder
from livewatch.profile.model import Channel, Message, Profile, Signal
from tests.decode.whole_message import decode_message, decode_message_raw

LENGTHS = [1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64]
"""Data bytes a CAN or CAN FD frame can have (ISO 11898-1)."""
WHOLE = st.integers(-(10**6), 10**6)
SCALES = st.one_of(
    st.sampled_from([1, 2, 10, -1, 0.1, 0.01, 0.25, 0.00390625, -0.5, 1e-9, 1e9, 100 / 255]),
    WHOLE.filter(bool),
    st.floats(-1e6, 1e6).filter(lambda value: abs(value) > 1e-9),
)
OFFSETS = st.one_of(st.sampled_from([0, -0.0, -40, 273.15, 0.5, 2**31, -(2**62)]), WHOLE, st.floats(-1e6, 1e6))


@st.composite
def signals(draw: st.DrawFn) -> tuple[int, Signal]:
    """(data bytes of the frame, a signal that fits in it)."""
    size = draw(st.sampled_from(LENGTHS))
    kind: Any = draw(st.sampled_from(["unsigned", "signed", "float"]))
    most = min(64, 8 * size)
    if kind == "float" and most < 16:
        kind = "unsigned"
    allowed = [bits for bits in (16, 32, 64) if bits <= most]
    length = draw(st.sampled_from(allowed) if kind == "float" else st.integers(1, most))
    first = draw(st.integers(0, 8 * size - length))
    order: Any = draw(st.sampled_from(["little_endian", "big_endian"]))
    start = first if order == "little_endian" else 8 * (first // 8) + 7 - first % 8
    return size, Signal("X", start, length, order, kind, float(draw(SCALES)), float(draw(OFFSETS)))


def _oracle(size: int, signal: Signal) -> cantools.database.can.Message:
    conversion = BaseConversion.factory(signal.scale, signal.offset, None, signal.kind == "float")
    theirs = cantools.database.can.Signal(
        "X", signal.start, signal.length, signal.order, signal.kind == "signed", conversion=conversion
    )
    return cantools.database.can.Message(0x123, "M", size, [theirs], is_fd=size > 8)


@settings(
    max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow]
)
@given(place=signals(), seed=st.integers(0, 2**32 - 1))
def test_its_value_is_what_cantools_computes(
    profile_of: Callable[..., Profile], place: tuple[int, Signal], seed: int
) -> None:
    size, signal = place
    chance = np.random.default_rng(seed)
    data = chance.integers(0, 256, (12, size), dtype=np.uint8)
    data[0], data[1] = 0, 255
    length = np.full(len(data), size, np.uint8)
    message = Message("engine", 0x123, False, "M", size, (signal,), size > 8)
    oracle = _oracle(size, signal)
    theirs: list[Any] = [oracle.decode(bytes(row), decode_choices=False)["X"] for row in data]
    plain: list[Any] = [oracle.decode(bytes(row), decode_choices=False, scaling=False)["X"] for row in data]
    value, received = decode_message(message, data, length)["X"]
    assert received.all()
    assert _same(value, theirs)
    raw = decode_message_raw(message, data, length)["X"][0]
    assert _same(raw, plain) if signal.kind == "float" else raw.tolist() == plain

    profile = profile_of([message], [Channel("x", "1", signal=("engine", 0x123, False, "X"))])
    column = Decoder(profile).decode(_frames(data, length)).columns[0]
    finite = np.isfinite(np.array(theirs, np.float64))
    assert column.row.tolist() == list(range(len(data)))
    assert _same(column.value[finite], [each for each, good in zip(theirs, finite, strict=True) if good])
    assert np.array_equal(column.quality == Quality.GOOD, finite), "a float that is no finite number is invalid"
    assert np.isnan(column.value[~finite]).all()


@settings(max_examples=100, deadline=None)
@given(place=signals(), data=st.data())
def test_it_is_received_exactly_where_cantools_finds_it_in_a_frame_cut_short(
    place: tuple[int, Signal], data: st.DataObject
) -> None:
    size, signal = place
    payload = data.draw(st.binary(min_size=0, max_size=size - 1))
    rows = np.frombuffer(payload.ljust(size, b"\0"), np.uint8).reshape(1, size)
    message = Message("engine", 0x123, False, "M", size, (signal,), size > 8)
    value, received = decode_message(message, rows, np.array([len(payload)], np.uint8))["X"]
    theirs = _oracle(size, signal).decode(payload, decode_choices=False, allow_truncated=True)
    assert bool(received[0]) == ("X" in theirs)
    assert _same(value, [theirs.get("X", float("nan"))])


@pytest.mark.parametrize(
    ("order", "start"), [("little_endian", 4), ("big_endian", 3), ("little_endian", 61), ("big_endian", 58)]
)
def test_a_counter_of_64_bits_across_nine_bytes_keeps_every_bit(order: str, start: int) -> None:
    signal = Signal("X", start, 64, order, "unsigned")  # type: ignore[arg-type]
    oracle = _oracle(64, signal)
    data = np.random.default_rng(9).integers(0, 256, (50, 64), dtype=np.uint8)
    message = Message("engine", 0x123, False, "M", 64, (signal,), True)
    raw = decode_message_raw(message, data, np.full(50, 64, np.uint8))["X"][0]
    assert raw.tolist() == [oracle.decode(bytes(row), decode_choices=False)["X"] for row in data]
    assert max(raw.tolist()) > 2**63


def test_a_whole_number_at_zero_has_no_sign() -> None:
    """cantools computes whole numbers in integers, where there is no -0."""
    message = Message("engine", 0x123, False, "M", 1, (Signal("X", 0, 8, scale=-1.0, offset=-0.0),))
    value = decode_message(message, np.zeros((1, 1), np.uint8), np.ones(1, np.uint8))["X"][0]
    assert not np.signbit(value[0])


def test_whole_numbers_beyond_53_bits_are_rounded_once() -> None:
    signal = Signal("X", 0, 64, scale=3.0)
    raw = 2**53 + 1
    data = np.frombuffer(raw.to_bytes(8, "little"), np.uint8).reshape(1, 8)
    message = Message("engine", 0x123, False, "M", 8, (signal,))
    value = decode_message(message, data, np.array([8], np.uint8))["X"][0][0]
    assert value == float(3 * raw)
    assert value != 3 * float(raw), "rounding before scaling would be seen"


def _frames(data: np.ndarray, length: np.ndarray) -> FrameBatch:
    n, size = data.shape
    wide = np.zeros((n, 8 if size <= 8 else 64), np.uint8)
    wide[:, :size] = data
    flags = np.full(n, FD if size > 8 else 0, np.uint8)
    time = np.arange(n, dtype=np.int64)
    return FrameBatch(time, np.zeros(n, np.uint8), np.full(n, 0x123, np.uint32), flags, length, wide, ("engine",))


def _same(mine: np.ndarray, theirs: list[float]) -> bool:
    """Equal bits, any NaN equal to any other."""
    other = np.array([float(value) for value in theirs], np.float64)
    bits = mine.astype(np.float64).view(np.uint64) == other.view(np.uint64)
    return bool((bits | (np.isnan(mine) & np.isnan(other))).all())
