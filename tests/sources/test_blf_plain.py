"""Plain BLF messages read in place are the frames that the general way reads."""

from __future__ import annotations

import struct
from collections import Counter

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from livewatch.data.frames import FrameBatch
from livewatch.sources.recordings.blf import objects as blf_objects
from livewatch.sources.recordings.blf.objects import parse_objects

START = 1_700_000_000_000_000_000


def message(
    channel: int, identifier: int, data: bytes, stamp: int, marks: int = 0, code: int = 8, kind: int = 1, unit: int = 1
) -> bytes:
    """One message object: base header, header of version 1, body, as python-can's `can/io/blf.py` lays them out."""
    header = struct.pack("<4sHHLL", b"LOBJ", 32, 1, 48, kind) + struct.pack("<LHHQ", unit, 0, 0, stamp)
    return header + struct.pack("<HBBL8s", channel, marks, code, identifier, data)


def same(one: list[FrameBatch], other: list[FrameBatch]) -> bool:
    first, second = FrameBatch.concatenate(one), FrameBatch.concatenate(other)
    fields = ("time", "identifier", "flags", "length", "data")
    names = [np.array(batch.buses)[batch.bus].tolist() for batch in (first, second)]
    return names[0] == names[1] and all(np.array_equal(getattr(first, f), getattr(second, f)) for f in fields)


objects = st.builds(
    message,
    channel=st.integers(1, 4),
    identifier=st.integers(0, 0x7FF) | st.integers(0x80000000, 0x9FFFFFFF),
    data=st.binary(min_size=8, max_size=8),
    stamp=st.integers(0, 2**40),
    marks=st.sampled_from([0, 1, 0x80, 0x81]),
    code=st.integers(0, 15),
)


@settings(max_examples=80, deadline=None)
@given(st.lists(objects, min_size=2, max_size=60), st.integers(0, 47))
def test_in_place_and_the_general_way_agree(made: list[bytes], cut: int) -> None:
    content = b"".join(made)[: -cut or None]
    quick, rest = parse_objects(content, START, Counter())
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(blf_objects, "_plain_messages", lambda *_: None)
        general, general_rest = parse_objects(content, START, Counter())
    assert same(quick, general)
    assert rest == general_rest


def test_plain_messages_do_go_the_quick_way() -> None:
    content = b"".join(message(1, n, bytes(8), n) for n in range(100))
    assert blf_objects._plain_messages(content, 100, 48, START) is not None


@pytest.mark.parametrize(
    "odd",
    [
        message(1, 5, bytes(8), 2**63 - 1),
        message(1, 5, bytes(8), 5, unit=2),
        message(1, 5, bytes(8), 5, kind=86),
        message(1, 5, bytes(8), 5, kind=99),
    ],
    ids=["time out of range", "another unit of time", "another kind of message", "no frame"],
)
def test_one_object_of_another_kind_leaves_them_to_the_general_way(odd: bytes) -> None:
    content = b"".join([message(1, 7, bytes(8), 3)] * 10 + [odd])
    assert blf_objects._plain_messages(content, 11, 48, START) is None
