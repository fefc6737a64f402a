"""Rows come out of a message as they went in, and nothing else does."""

from __future__ import annotations

import zlib

import msgpack
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from livewatch.data.frames import EXTENDED, FD, REMOTE, FrameBatch
from livewatch.data.samples import SampleBatch, SampleColumn
from livewatch.sources.mqtt.rows_message import pack_rows, unpack_rows

INDEX = {"engine_speed": 0, "lambda_1": 1}


def frames(*lengths: int, flags: int = 0, width: int = 64) -> FrameBatch:
    n = len(lengths)
    data = np.zeros((n, width), np.uint8)
    for row, length in enumerate(lengths):
        if not flags & REMOTE:
            data[row, :length] = np.arange(length) + 1
    return FrameBatch(
        np.arange(n, dtype=np.int64) - 5,
        np.zeros(n, np.uint8),
        np.full(n, 0x18DAF110 if flags & EXTENDED else 0x7E8, np.uint32),
        np.full(n, flags, np.uint8),
        np.array(lengths, np.uint8),
        data,
        ("engine",),
    )


@pytest.mark.parametrize("flags", [0, EXTENDED, FD, REMOTE])
def test_frames_of_every_length_come_back_as_they_were(flags: int) -> None:
    batch = frames(0, 1, 8, 64, flags=flags) if flags & FD else frames(0, 1, 8, 7, flags=flags, width=8)
    number, back = unpack_rows(pack_rows(batch, 3, ()), INDEX)
    assert number == 3 and back.buses == batch.buses
    for name in ("time", "bus", "identifier", "flags", "length", "data"):
        assert np.array_equal(getattr(back, name), getattr(batch, name)), name


def test_samples_silence_and_losses_come_back_as_they_were() -> None:
    column = SampleColumn(1, np.array([0, 2]), np.array([0.1 + 0.2, np.nan]), np.array([0, 3], np.uint8))
    batch = SampleBatch(np.array([7, 8, 9]), [column], {"frames lost": 2})
    _, back = unpack_rows(pack_rows(batch, 0, list(INDEX)), INDEX)
    assert back.counts == batch.counts and not back.silence
    assert back.columns[0].channel == 1 and back.columns[0].value[0] == 0.1 + 0.2
    _, silent = unpack_rows(pack_rows(SampleBatch(np.array([7]), (), {}, silence=True), 1, ()), INDEX)
    assert silent.silence and len(silent) == 1


@pytest.mark.parametrize(
    "wrong",
    [
        {"time": b"123"},
        {"bus": b"\x09\x00"},
        {"flags": b"\xff\xff"},
        {"length": b"\x41\x00"},
        {"data": b""},
        {"identifier": b"\xff" * 8},
        {"buses": [3]},
        {"time": 5},
    ],
)
def test_a_message_whose_columns_make_no_sense_is_refused(wrong: dict) -> None:
    record = msgpack.unpackb(zlib.decompress(pack_rows(frames(1, 2, width=8), 0, ())))
    record["frames"] |= wrong
    with pytest.raises(ValueError):
        unpack_rows(zlib.compress(msgpack.packb(record)), INDEX)


def test_a_message_that_swells_is_refused_in_little_memory() -> None:
    with pytest.raises(ValueError):
        unpack_rows(zlib.compress(bytes(60_000_000), 1), INDEX)


@settings(max_examples=150, deadline=None)
@given(content=st.binary(max_size=200), packed=st.booleans(), at=st.integers(0, 400), byte=st.integers(0, 255))
def test_any_bytes_are_rows_or_refused(content: bytes, packed: bool, at: int, byte: int) -> None:
    good = bytearray(zlib.decompress(pack_rows(frames(1, 2, 3, width=8), 0, ())))
    good[at % len(good)] = byte
    for payload in (content, zlib.compress(content) if packed else b"", zlib.compress(bytes(good))):
        try:
            number, rows = unpack_rows(payload, INDEX)
        except ValueError:
            continue
        assert number >= 0 and len(rows) > 0
