"""Live messages become the columns that the plain conversion makes of them."""

from __future__ import annotations

import can
import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from livewatch.data.frames import FrameBatch
from livewatch.sources.live.columns import columns_of


@st.composite
def messages(draw: st.DrawFn) -> can.Message:
    extended = draw(st.booleans())
    kind = draw(st.sampled_from(["data", "data", "data", "fd", "remote", "error"]))
    longest = {"data": 8, "fd": 64, "remote": 0, "error": 8}[kind]
    return can.Message(
        timestamp=draw(st.integers(0, 2_000_000_000_000_000)) / 1e6,
        arbitration_id=draw(st.integers(0, 0x1FFFFFFF if extended else 0x7FF)),
        is_extended_id=extended,
        is_remote_frame=kind == "remote",
        is_error_frame=kind == "error",
        is_fd=kind == "fd",
        bitrate_switch=kind == "fd" and draw(st.booleans()),
        error_state_indicator=kind == "fd" and draw(st.booleans()),
        is_rx=draw(st.booleans()),
        dlc=draw(st.integers(0, 8)) if kind == "remote" else None,
        data=None if kind == "remote" else draw(st.binary(max_size=longest)),
        channel="engine",
    )


@given(st.lists(messages(), max_size=30))
def test_columns_equal_the_plain_conversion(received):
    """Oracle: FrameBatch.from_messages, one message at a time, its stamps rounded to microseconds."""
    fast = columns_of(received, 1, ("cell", "engine"))
    plain = FrameBatch.from_messages(received, ("cell", "engine"))
    assert fast.buses == ("cell", "engine")
    np.testing.assert_array_equal(fast.time, np.rint(plain.time / 1000).astype(np.int64) * 1000)
    for column in ("bus", "identifier", "flags", "length", "data"):
        np.testing.assert_array_equal(getattr(fast, column), getattr(plain, column), err_msg=column)
        assert getattr(fast, column).dtype == getattr(plain, column).dtype


def test_a_stamp_that_is_no_number_becomes_zero():
    batch = columns_of([can.Message(timestamp=float("nan"), data=b"\1"), can.Message(timestamp=1.5)], 0, ("a",))
    assert batch.time.tolist() == [0, 1_500_000_000]


def test_no_messages_make_an_empty_batch():
    assert len(columns_of([], 0, ("a",))) == 0
