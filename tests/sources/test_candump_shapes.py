"""The quick way through plain candump lines gives what the careful way gives, or nothing."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from livewatch.data.frames import FrameBatch
from livewatch.sources.recordings.candump.lines import BusNames, parse_lines
from livewatch.sources.recordings.candump.shapes import FEWEST_LINES, parse_shapes


def same(one: FrameBatch, other: FrameBatch) -> bool:
    names = ("time", "bus", "identifier", "flags", "length", "data")
    return one.buses == other.buses and all(np.array_equal(getattr(one, name), getattr(other, name)) for name in names)


def careful(text: bytes) -> FrameBatch:
    batches, rejected = parse_lines(text, BusNames())
    assert rejected == 0
    return FrameBatch.concatenate(batches)


def lines(seed: int, count: int, sizes: list[int], digits: list[int], bus: str) -> list[bytes]:
    rng = np.random.default_rng(seed)
    found = []
    for number in range(count):
        width = int(rng.choice(digits))
        identifier = f"{int(rng.integers(0, 0x800 if width == 3 else 1 << 29)):0{width}X}"
        data = rng.bytes(int(rng.choice(sizes))).hex()
        found.append(f"({1_760_000_000 + number // 50}.{number % 1000000:06d}) {bus} {identifier}#{data}\n".encode())
    return found


@settings(max_examples=60, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    sizes=st.lists(st.integers(0, 8), min_size=1, max_size=2, unique=True),
    digits=st.sampled_from([[3], [8], [3, 8]]),
    bus=st.sampled_from(["can0", "engine", "a-longer-name"]),
)
def test_plain_lines_read_the_quick_way_are_read_alike(
    seed: int, sizes: list[int], digits: list[int], bus: str
) -> None:
    text = b"".join(lines(seed, 600, sizes, digits, bus))
    quick = parse_shapes(text, BusNames())
    if quick is not None:
        assert same(quick, careful(text))
    else:
        # Two shapes of one length, or too few lines of one.
        assert len(sizes) * len(digits) > 1


def test_eight_byte_frames_of_one_bus_go_the_quick_way() -> None:
    text = b"".join(lines(1, 500, [8], [3], "can0"))
    quick = parse_shapes(text, BusNames())
    assert quick is not None and same(quick, careful(text))


@pytest.mark.parametrize(
    "odd",
    [
        b"(1760000000.000001) can0 12G#0102030405060708\n",
        b"(1760000000.000001) can0 123#010203040506070G\n",
        b"(17600000x0.000001) can0 123#0102030405060708\n",
        b"(1760000000.0000:1) can0 123#0102030405060708\n",
        b"(1760000000.000001) can1 123#0102030405060708\n",
        b"(1760000000.000001) can0 123#R\n",
        b"(1760000000.000001) can0 123##10102030405060708\n",
        b"\n",
    ],
)
def test_one_line_of_another_kind_leaves_the_chunk_to_the_careful_way(odd: bytes) -> None:
    plain = lines(2, 200, [8], [3], "can0")
    assert parse_shapes(b"".join([*plain[:100], odd, *plain[100:]]), BusNames()) is None


def test_an_error_frame_by_its_identifier_bit_is_left_to_the_careful_way() -> None:
    plain = lines(3, 200, [8], [8], "can0")
    odd = b"(1760000000.000001) can0 20000004#0004000000000000\n"
    assert parse_shapes(b"".join([*plain, odd]), BusNames()) is None


def test_fewer_lines_than_pay_are_left_to_the_careful_way() -> None:
    assert parse_shapes(b"".join(lines(4, FEWEST_LINES - 1, [8], [3], "can0")), BusNames()) is None


def test_nanosecond_digits_are_exact() -> None:
    text = b"".join(f"({1_760_000_000 + n}.{n:09d}) can0 100#00\n".encode() for n in range(100))
    quick = parse_shapes(text, BusNames())
    assert quick is not None
    assert quick.time.tolist() == [(1_760_000_000 + n) * 10**9 + n for n in range(100)]
