"""Packing numbers into frames, against cantools as the oracle."""

from __future__ import annotations

import cantools
import numpy as np
import pytest
from cantools.database import Message as OracleMessage
from cantools.database import Signal as OracleSignal
from cantools.database.conversion import LinearConversion
from hypothesis import given, settings
from hypothesis import strategies as st

from livewatch.profile import load_profile
from livewatch.profile.model import Signal
from livewatch.profile.shipped import find_profile, shipped_folder
from livewatch.simulator.packing import pack_signal, placed, raw_number, raw_numbers, raw_range

DBC = shipped_folder("profiles") / "brackwell_20t.dbc"


@st.composite
def signals(draw):
    length = draw(st.integers(1, 64))
    order = draw(st.sampled_from(["little_endian", "big_endian"]))
    kind = draw(st.sampled_from(["unsigned", "signed"]))
    left = draw(st.integers(0, 64 - length))
    # For a big-endian signal `left` counts bits from the first byte's most significant one.
    start = left if order == "little_endian" else 8 * (left // 8) + 7 - left % 8
    return Signal("S", start, length, order, kind, 0.5, -3.0)


@given(signals(), st.data())
@settings(max_examples=300, deadline=None)
def test_any_signal_is_packed_as_cantools_packs_it(signal, data):
    low, high = raw_range(signal)
    raw = data.draw(st.one_of(st.just(low), st.just(high), st.integers(low, high)))
    oracle = OracleMessage(
        1,
        "M",
        8,
        [
            OracleSignal(
                "S",
                signal.start,
                signal.length,
                signal.order,
                signal.kind == "signed",
                conversion=LinearConversion(1, 0, False),
            )
        ],
    )
    packed = np.zeros((2, 8), np.uint8)
    pack_signal(packed, signal, np.array([raw & ((1 << signal.length) - 1)] * 2, np.uint64))
    assert packed[0].tobytes() == packed[1].tobytes() == oracle.encode({"S": raw}, scaling=False)
    assert placed(signal, raw & ((1 << signal.length) - 1), 8).to_bytes(8, "big") == packed[0].tobytes()


@given(signals(), st.one_of(st.floats(), st.integers(-70_000, 70_000).map(lambda number: number / 8)))
@settings(max_examples=300, deadline=None)
def test_one_number_becomes_the_bits_that_a_column_gives(signal, physical):
    assert raw_number(signal, physical) == int(raw_numbers(signal, np.array([physical]))[0])


@pytest.mark.parametrize("name", [message.name for message in cantools.database.load_file(DBC).messages])
def test_every_message_of_the_engine_bus_is_packed_as_cantools_packs_it(name):
    oracle = cantools.database.load_file(DBC).get_message_by_name(name)
    profile = load_profile(find_profile("brackwell_20t"))
    ours = next(message for message in profile.messages if message.name == name)
    rng = np.random.default_rng(1)
    pages = [
        page
        for (page,) in {(i,) for s in ours.signals for low, high in s.multiplexer_values for i in range(low, high + 1)}
    ]
    for _ in range(60):
        page = int(rng.choice(pages)) if pages else None
        physical = {}
        for signal in ours.signals:
            if signal.multiplexer and not any(low <= page <= high for low, high in signal.multiplexer_values):
                continue
            low, high = raw_range(signal)
            raw = page if signal.is_multiplexer else int(rng.integers(low, min(high, 1 << 62), endpoint=True))
            while raw in signal.invalid:
                raw -= 1
            physical[signal.name] = raw * signal.scale + signal.offset
        data = np.zeros((1, ours.length), np.uint8)
        for signal in ours.signals:
            if signal.name in physical:
                pack_signal(data, signal, raw_numbers(signal, np.array([physical[signal.name]])))
        assert data.tobytes() == oracle.encode(physical, strict=False)


def test_floats_are_packed_as_they_are():
    for length, kind in ((32, np.float32), (64, np.float64)):
        signal = Signal("S", 0, length, "little_endian", "float")
        data = np.zeros((3, 8), np.uint8)
        values = np.array([0.0, -1.5, 0.9987])
        pack_signal(data, signal, raw_numbers(signal, values))
        assert np.array_equal(data[:, : length // 8].copy().view(kind).ravel(), values.astype(kind))


def test_a_value_the_signal_cannot_hold_stops_at_its_end_and_never_becomes_the_invalid_code():
    signal = Signal("S", 0, 8, "little_endian", scale=0.5, invalid=(255,))
    assert raw_numbers(signal, np.array([-4.0, 3.0, 127.5, 900.0])).tolist() == [0, 6, 254, 254]


def test_an_unknown_value_becomes_the_invalid_code():
    assert raw_numbers(Signal("S", 0, 8, invalid=(255,)), np.array([np.nan])).tolist() == [255]
    assert raw_numbers(Signal("S", 0, 8, offset=-40.0), np.array([np.nan])).tolist() == [0]


def test_a_sensor_curve_is_inverted():
    volts, degrees = (0.45, 1.25, 2.35, 3.85), (60.0, 30.0, 10.0, -15.0)
    signal = Signal("S", 0, 12, scale=0.001, curve=(volts, degrees))
    for value in (-15.0, 0.0, 17.3, 30.0, 60.0):
        raw = int(raw_numbers(signal, np.array([value]))[0])
        assert np.interp(raw * 0.001, volts, degrees) == pytest.approx(value, abs=0.05)
