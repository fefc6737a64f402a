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
    """Whether they hold the same frames; the numbers that buses are given may differ."""
    names = ("time", "identifier", "flags", "length", "data")
    bus, its_bus = (np.array(batch.buses)[batch.bus] for batch in (one, other))
    return np.array_equal(bus, its_bus) and all(
        np.array_equal(getattr(one, name), getattr(other, name)) for name in names
    )


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


ODD = [
    b"(1760000000.000001) can1 123#0102030405060708\n",
    b"(1760000000.000001) engine 123#0102030405060708\n",
    b"(1760000000.000001) can0 123#R\n",
    b"(1760000000.000001) can0 123#R8\n",
    b"(1760000000.000001) can0 123#0102 T\n",
    b"(1760000000.000001) can0 1234567#0102\n",
    b"(1760000000.000001) can0 123##10102030405060708\n",
    b"(1760000000.000001) can0 12345678##1\n",
    b"(1760000000.000001) can0 20000004#0004000000000000\n",
    b"(1760000000.000001) can0 A0000004#0004000000000000\n",
    b"(1760000000.5) can0 123#\n",
    b"(1.5) a 1#\n",
    b"(9999999999.000000) can0 123#0102\n",
    b"(760000000.000001) can0 123#0102030405060708\n",
]
"""Each is a frame but the one before the last, whose time is beyond 64 bits."""
NO_FRAME = [
    b"(1760000000.000001) can0 12G#0102030405060708\n",
    b"(1760000000.000001) can0 123#010203040506070G\n",
    b"(17600000x0.000001) can0 123#0102030405060708\n",
    b"(1760000000.0000:1) can0 123#0102030405060708\n",
    b"(1760000000.000001) can0 123#010\n",
    b"(1760000000.000001) can0 12#\n(1760000000.000001) can0 G\n",
    ODD[-2],
    b"\n",
]


@settings(max_examples=30, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    sizes=st.lists(st.integers(0, 8), min_size=1, max_size=4, unique=True),
    digits=st.sampled_from([[3], [8], [3, 8]]),
    buses=st.sampled_from([["can0"], ["can0", "can1", "can2"], ["engine"], ["a-longer-name"]]),
    odd=st.lists(st.tuples(st.integers(1, 300), st.sampled_from([*ODD[:-2], ODD[-1]])), max_size=4),
)
def test_lines_read_the_quick_way_are_read_alike(
    seed: int, sizes: list[int], digits: list[int], buses: list[str], odd: list[tuple[int, bytes]]
) -> None:
    plain = [one for bus in buses for one in lines(seed, 400 // len(buses), sizes, digits, bus)]
    for place, line in odd:
        plain.insert(place, line)
    text = b"".join(plain)
    quick = parse_shapes(text, BusNames())
    assert quick is not None and same(quick, careful(text))


@pytest.mark.parametrize("line", NO_FRAME)
def test_a_line_that_is_no_frame_leaves_the_chunk_to_the_careful_way(line: bytes) -> None:
    plain = lines(2, 200, [8], [3], "can0")
    buses = BusNames()
    assert parse_shapes(b"".join([*plain[:100], line, *plain[100:]]), buses) is None
    assert not buses.names


def test_many_lines_of_another_kind_leave_the_chunk_to_the_careful_way() -> None:
    plain = lines(3, 400, [8], [3], "can0")
    mixed = b"".join(one for line in plain for one in (line, ODD[4]))
    assert parse_shapes(mixed, BusNames()) is None


def test_fewer_lines_than_pay_are_left_to_the_careful_way() -> None:
    assert parse_shapes(b"".join(lines(4, FEWEST_LINES - 1, [8], [3], "can0")), BusNames()) is None


def test_nanosecond_digits_are_exact() -> None:
    text = b"".join(f"({1_760_000_000 + n}.{n:09d}) can0 100#00\n".encode() for n in range(100))
    quick = parse_shapes(text, BusNames())
    assert quick is not None
    assert quick.time.tolist() == [(1_760_000_000 + n) * 10**9 + n for n in range(100)]
