"""Messages of python-can become columns."""

from __future__ import annotations

import can
from hypothesis import given
from hypothesis import strategies as st

from livewatch.data.frames import BRS, ERROR, ESI, EXTENDED, FD, REMOTE, SENT
from livewatch.data.messages import columns_by_channel, columns_of


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


def flags_of(message: can.Message) -> int:
    return (
        EXTENDED * message.is_extended_id
        + REMOTE * message.is_remote_frame
        + ERROR * message.is_error_frame
        + FD * message.is_fd
        + BRS * message.bitrate_switch
        + ESI * message.error_state_indicator
        + SENT * (not message.is_rx)
    )


@given(st.lists(messages(), min_size=1, max_size=30), st.sampled_from([1, 1000]))
def test_every_field_of_every_message_is_in_its_column(received, step):
    batch = columns_of(received, 1, ("cell", "engine"), step)
    assert batch.buses == ("cell", "engine")
    assert set(batch.bus.tolist()) == {1}
    assert batch.time.tolist() == [round(message.timestamp * (1e9 / step)) * step for message in received]
    assert batch.identifier.tolist() == [message.arbitration_id for message in received]
    assert batch.flags.tolist() == [flags_of(message) for message in received]
    for row, message in enumerate(received):
        assert batch.length[row] == (message.dlc if message.is_remote_frame else len(message.data))
        assert batch.data[row].tobytes() == bytes(message.data).ljust(batch.data.shape[1], b"\0")
    assert batch.data.shape[1] == (64 if any(len(message.data) > 8 for message in received) else 8)


def test_channels_of_messages_become_buses_in_order_of_appearance():
    received = [can.Message(channel=channel, timestamp=1.6e-9) for channel in ("b", None, "a", "b", 7)]
    batch = columns_by_channel(received)
    assert batch.buses == ("b", "0", "a", "7")
    assert batch.bus.tolist() == [0, 1, 2, 0, 3]
    assert set(batch.time.tolist()) == {2}


def test_a_stamp_that_is_no_number_becomes_zero():
    batch = columns_of([can.Message(timestamp=float("nan"), data=b"\1"), can.Message(timestamp=1.5)], 0, ("a",))
    assert batch.time.tolist() == [0, 1_500_000_000]


def test_no_messages_make_an_empty_batch():
    assert len(columns_of([], 0, ("a",))) == 0
