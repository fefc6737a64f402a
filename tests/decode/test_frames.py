"""Frames become samples with the right quality; what cannot be decoded is counted, never lost or guessed."""

from __future__ import annotations

import struct
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from livewatch.data.frames import ERROR, EXTENDED, FD, REMOTE, SENT, FrameBatch
from livewatch.data.samples import Quality, SampleBatch
from livewatch.decode import Decoder
from livewatch.decode.bus_traffic import TOO_LONG
from livewatch.profile import load_profile_text
from livewatch.profile.model import Channel, Message, Profile, Signal
from livewatch.sources.recordings.recording import open_recording

Frames = Callable[..., FrameBatch]
Make = Callable[..., Profile]

GOOD, OUT_OF_RANGE, INVALID = int(Quality.GOOD), int(Quality.OUT_OF_RANGE), int(Quality.INVALID)
NAN = float("nan")


def _message(*signals: Signal, identifier: int = 0x123, extended: bool = False, bus: str = "engine") -> Message:
    return Message(bus, identifier, extended, "M", 8, signals)


def _channel(name: str, signal: str, identifier: int = 0x123, extended: bool = False, **rest: object) -> Channel:
    return Channel(name, "1", signal=("engine", identifier, extended, signal), **rest)  # type: ignore[arg-type]


def _columns(profile: Profile, samples: SampleBatch) -> dict[str, list[tuple[int, float, int]]]:
    """Channel name to (row, value, quality) of its samples; NaN as None, so that it can be compared."""
    return {
        profile.channels[column.channel].name: [
            (row, None if value != value else value, quality)
            for row, value, quality in zip(
                column.row.tolist(), column.value.tolist(), column.quality.tolist(), strict=True
            )
        ]
        for column in samples.columns
    }


def test_a_sample_is_in_the_channels_unit_at_its_frames_row(profile_of: Make, frames_of: Frames) -> None:
    """Speed in 0.25 rpm, temperature in degC + 40 turned to kelvin by the channel's own scale and offset."""
    message = _message(
        Signal("N", 0, 16, scale=0.25), Signal("T", 23, 8, "big_endian", scale=0.5, offset=-40.0, unit="degC")
    )
    profile = profile_of([message], [_channel("speed", "N"), _channel("kelvin", "T", scale=1.0, offset=273.15)])
    rows = [(0x111, bytes(8)), (0x123, bytes.fromhex("70 17 A0")), (0x123, bytes.fromhex("00 00 50"))]
    samples = Decoder(profile).decode(frames_of(rows))
    assert len(samples) == 3
    assert _columns(profile, samples) == {
        "speed": [(1, 1500.0, GOOD), (2, 0.0, GOOD)],
        "kelvin": [(1, 313.15, GOOD), (2, 273.15, GOOD)],
    }


def test_two_channels_may_want_one_signal(profile_of: Make, frames_of: Frames) -> None:
    profile = profile_of([_message(Signal("P", 0, 8))], [_channel("bar", "P", scale=0.01), _channel("kpa", "P")])
    samples = Decoder(profile).decode(frames_of([(0x123, b"\x64")]))
    assert _columns(profile, samples) == {"bar": [(0, 1.0, GOOD)], "kpa": [(0, 100.0, GOOD)]}


def test_two_descriptions_of_one_frame_add_up(profile_of: Make, frames_of: Frames) -> None:
    """Two files may describe the same frame; where both name a signal, the first one holds."""
    messages = [_message(Signal("A", 0, 8)), _message(Signal("A", 8, 8), Signal("B", 16, 8))]
    profile = profile_of(messages, [_channel("a", "A"), _channel("b", "B")])
    samples = Decoder(profile).decode(frames_of([(0x123, b"\x01\x02\x03")]))
    assert _columns(profile, samples) == {"a": [(0, 1.0, GOOD)], "b": [(0, 3.0, GOOD)]}


def test_a_code_that_means_no_value_is_no_number(profile_of: Make, frames_of: Frames) -> None:
    signals = (Signal("A", 0, 8, invalid=(0xFE, 0xFF)), Signal("B", 8, 8, kind="signed", invalid=(-128,)))
    profile = profile_of([_message(*signals)], [_channel("a", "A", valid=(0, 250)), _channel("b", "B")])
    rows = [(0x123, bytes(each)) for each in ((0xFD, 0x81), (0xFE, 0x80), (0xFF, 0x7F), (0x10, 0x00))]
    assert _columns(profile, Decoder(profile).decode(frames_of(rows))) == {
        "a": [(0, 253.0, OUT_OF_RANGE), (1, None, INVALID), (2, None, INVALID), (3, 16.0, GOOD)],
        "b": [(0, -127.0, GOOD), (1, None, INVALID), (2, 127.0, GOOD), (3, 0.0, GOOD)],
    }


def test_a_code_of_a_signed_signal_may_be_written_as_its_bits(profile_of: Make, frames_of: Frames) -> None:
    """0x80 and -128 are the same eight bits; a code that does not fit the signal matches nothing."""
    signals = (Signal("A", 0, 8, kind="signed", invalid=(0x80,)), Signal("B", 8, 4, invalid=(0x1E, -1)))
    profile = profile_of([_message(*signals)], [_channel("a", "A"), _channel("b", "B")])
    rows = [(0x123, b"\x80\x0f"), (0x123, b"\x7f\x0e")]
    assert _columns(profile, Decoder(profile).decode(frames_of(rows))) == {
        "a": [(0, None, INVALID), (1, 127.0, GOOD)],
        "b": [(0, None, INVALID), (1, 14.0, GOOD)],
    }


def test_a_value_outside_its_valid_range_is_kept_and_marked(profile_of: Make, frames_of: Frames) -> None:
    """The ends belong to the range."""
    profile = profile_of([_message(Signal("A", 0, 8))], [_channel("a", "A", scale=2.0, valid=(20.0, 40.0))])
    rows = [(0x123, bytes((raw,))) for raw in (9, 10, 20, 21)]
    assert _columns(profile, Decoder(profile).decode(frames_of(rows))) == {
        "a": [(0, 18.0, OUT_OF_RANGE), (1, 20.0, GOOD), (2, 40.0, GOOD), (3, 42.0, OUT_OF_RANGE)]
    }


@pytest.mark.parametrize(("letter", "length"), [("e", 16), ("f", 32), ("d", 64)])
@pytest.mark.parametrize("order", ["little_endian", "big_endian"])
def test_a_float_that_is_no_number_is_invalid(
    profile_of: Make, frames_of: Frames, letter: str, length: int, order: str
) -> None:
    little = order == "little_endian"
    signal = Signal("X", 0 if little else 7, length, order, "float", invalid=(-1,))  # type: ignore[arg-type]
    profile = profile_of([_message(signal)], [_channel("x", "X", valid=(-10, 1000))])
    values = (1.5, float("inf"), -float("inf"), NAN, -1.0, -0.0, -64.0)
    rows = [(0x123, struct.pack(("<" if little else ">") + letter, value)) for value in values]
    assert _columns(profile, Decoder(profile).decode(frames_of(rows))) == {
        "x": [
            (0, 1.5, GOOD),
            (1, None, INVALID),
            (2, None, INVALID),
            (3, None, INVALID),
            (4, None, INVALID),
            (5, 0.0, GOOD),
            (6, -64.0, OUT_OF_RANGE),
        ]
    }


def test_a_float_of_minus_zero_keeps_its_sign_whatever_comes_in_the_same_batch(
    profile_of: Make, frames_of: Frames
) -> None:
    """Converting one channel must not touch another: the bits of a value depend on its own frame only."""
    messages = [_message(Signal("X", 0, 32, kind="float")), _message(Signal("A", 0, 8), identifier=0x124)]
    profile = profile_of(messages, [_channel("x", "X"), _channel("a", "A", 0x124, scale=2.0, offset=1.0)])
    rows = [(0x123, struct.pack("<f", -0.0)), (0x124, b"\x01")]
    for batch in (frames_of(rows), frames_of(rows[:1])):
        assert np.signbit(Decoder(profile).decode(batch).columns[0].value[0])


@settings(deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow])
@given(
    points=st.dictionaries(st.floats(-50, 350), st.floats(-1e6, 1e6), min_size=1, max_size=12),
    raw=st.lists(st.integers(0, 255), min_size=1, max_size=20),
)
def test_a_sensor_curve_is_interpolated_and_held_at_its_ends(
    profile_of: Make, frames_of: Frames, points: dict[float, float], raw: list[int]
) -> None:
    """numpy.interp, over the whole column, is the oracle; the samples come one frame at a time."""
    inputs = tuple(sorted(points))
    outputs = tuple(points[each] for each in inputs)
    signal = Signal("U", 0, 8, scale=1.5, offset=-20.0, curve=(inputs, outputs))
    profile = profile_of([_message(signal)], [_channel("t", "U", scale=0.1, offset=3.0)])
    decoder = Decoder(profile)
    values = [float(decoder.decode(frames_of([(0x123, bytes((each,)))])).columns[0].value[0]) for each in raw]
    expected = np.interp(np.array(raw) * 1.5 - 20.0, inputs, outputs) * 0.1 + 3.0
    assert values == expected.tolist()


def test_a_thermistor_curve_by_hand(profile_of: Make, frames_of: Frames) -> None:
    """5 V at 0 degC, 1 V at 100 degC: 3 V lies half way. Beyond the ends the ends hold."""
    signal = Signal("U", 0, 8, scale=0.1, curve=((1.0, 5.0), (100.0, 0.0)))
    profile = profile_of([_message(signal)], [_channel("t", "U")])
    rows = [(0x123, bytes((raw,))) for raw in (5, 10, 30, 50, 60)]
    (column,) = Decoder(profile).decode(frames_of(rows)).columns
    assert column.value == pytest.approx([100.0, 100.0, 50.0, 0.0, 0.0])


def test_a_curve_too_steep_for_a_number_gives_none(profile_of: Make, frames_of: Frames) -> None:
    """The difference of its ends is beyond what a float64 can hold."""
    signal = Signal("U", 0, 8, curve=((0.0, 2.0), (-1.7e308, 1.7e308)))
    profile = profile_of([_message(signal)], [_channel("t", "U")])
    rows = [(0x123, bytes((raw,))) for raw in (0, 1, 2)]
    assert _columns(profile, Decoder(profile).decode(frames_of(rows))) == {
        "t": [(0, -1.7e308, GOOD), (1, None, INVALID), (2, 1.7e308, GOOD)]
    }


def test_a_frame_too_short_for_a_signal_has_not_brought_it(profile_of: Make, frames_of: Frames) -> None:
    signals = (Signal("A", 0, 8), Signal("B", 12, 8), Signal("C", 31, 8, "big_endian"))
    profile = profile_of([_message(*signals)], [_channel(name, name.upper()) for name in "abc"])
    decoder = Decoder(profile)
    samples = decoder.decode(frames_of([(0x123, b"\x11\x11\x11\x11\x11"[:length]) for length in range(6)]))
    assert {name: [row for row, _, _ in rows] for name, rows in _columns(profile, samples).items()} == {
        "a": [1, 2, 3, 4, 5],
        "b": [3, 4, 5],
        "c": [4, 5],
    }
    assert samples.counts == {"frames shorter than a signal": 4} and decoder.unused == 4
    (odd,) = decoder.odd_identifiers()["frames shorter than a signal"]
    assert (odd.bus, odd.identifier, odd.frames) == ("engine", 0x123, 4)


def test_a_short_frame_matters_only_to_signals_that_are_wanted(profile_of: Make, frames_of: Frames) -> None:
    profile = profile_of([_message(Signal("A", 0, 8), Signal("Z", 56, 8))], [_channel("a", "A")])
    samples = Decoder(profile).decode(frames_of([(0x123, b"\x01")]))
    assert (len(samples.columns), samples.counts) == (1, {})


def test_signals_anywhere_in_a_64_byte_frame(profile_of: Make, frames_of: Frames) -> None:
    """Among them one across nine bytes, and one whose frame comes as a classic frame in the same batch."""
    data = bytes(range(64))
    whole, network = int.from_bytes(data, "little"), int.from_bytes(data, "big")
    mask = (1 << 64) - 1
    signals = (
        Signal("L", 60 * 8, 32),
        Signal("M", 5 * 8 + 3, 64),
        Signal("N", 6 * 8 + 4, 64, "big_endian"),
        Signal("S", 60, 7, kind="signed"),
    )
    message = Message("engine", 0x123, False, "M", 64, signals, True)
    profile = profile_of([message], [_channel(name.lower(), name) for name in "LMNS"])
    samples = Decoder(profile).decode(frames_of([(0x123, data, FD), (0x123, data[:8])]))
    columns = _columns(profile, samples)
    assert columns["l"] == [(0, float(whole >> 480), GOOD)]
    assert columns["m"] == [(0, float(whole >> 43 & mask), GOOD)]
    first = 6 * 8 + 3
    assert columns["n"] == [(0, float(network >> (512 - first - 64) & mask), GOOD)]
    assert columns["s"] == [(0, float((whole >> 60 & 127) - 128 * (whole >> 66 & 1)), GOOD)]
    assert samples.counts == {"frames shorter than a signal": 1}


NESTED = (
    Signal("always", 56, 8),
    Signal("page", 0, 8, is_multiplexer=True, value_table={9: "empty page"}),
    Signal("low", 8, 8, multiplexer="page", multiplexer_values=((0, 3), (6, 6))),
    Signal("book", 8, 4, multiplexer="page", multiplexer_values=((4, 5),), is_multiplexer=True),
    Signal("deep", 16, 8, multiplexer="book", multiplexer_values=((1, 1), (3, 15))),
)


def test_only_the_signals_that_the_multiplexers_select_are_there(profile_of: Make, frames_of: Frames) -> None:
    """Ranges of values, one multiplexer below another, an announced empty page, an undeclared one, a short frame."""
    names = ("always", "low", "book", "deep")
    profile = profile_of([_message(*NESTED)], [_channel(name, name) for name in names])
    pages = [(0, 7), (3, 8), (6, 9), (4, 1), (5, 2), (5, 3), (9, 0), (7, 0), (200, 0)]
    rows = [(0x123, bytes((page, second, 0x2A, 0, 0, 0, 0, 0x11))) for page, second in pages]
    rows += [(0x123, b""), (0x123, b"\x04")]
    decoder = Decoder(profile)
    samples = decoder.decode(frames_of(rows))
    columns = {name: [(row, value) for row, value, _ in found] for name, found in _columns(profile, samples).items()}
    assert columns == {
        "always": [(row, 17.0) for row in range(9)],
        "low": [(0, 7.0), (1, 8.0), (2, 9.0)],
        "book": [(3, 1.0), (4, 2.0), (5, 3.0)],
        "deep": [(3, 42.0), (5, 42.0)],
    }
    assert samples.counts == {
        "frames shorter than a signal": 2,
        "frames with an undeclared multiplexer value": 3,  # pages 7 and 200, and book 2
    }


def test_a_multiplexed_signal_alone_brings_its_multiplexers_along(profile_of: Make, frames_of: Frames) -> None:
    profile = profile_of([_message(*NESTED)], [_channel("deep", "deep")])
    rows = [(0x123, bytes((page, 1, 5, 0, 0, 0, 0, 0))) for page in (0, 4)]
    samples = Decoder(profile).decode(frames_of(rows))
    assert _columns(profile, samples) == {"deep": [(1, 5.0, GOOD)]}
    assert samples.counts == {}


def test_identifiers_of_11_and_29_bits_and_buses_are_told_apart(profile_of: Make, frames_of: Frames) -> None:
    """The same number 123 in all of them."""
    messages = [
        _message(Signal("A", 0, 8)),
        _message(Signal("A", 0, 8), extended=True),
        _message(Signal("A", 0, 8), bus="body"),
    ]
    channels = [
        _channel("eleven", "A"),
        _channel("twenty_nine", "A", extended=True),
        Channel("other_bus", "1", signal=("body", 0x123, False, "A")),
    ]
    profile = profile_of(messages, channels, buses=["engine", "body"])
    rows = [(0x123, b"\x01"), (0x123, b"\x02", EXTENDED), (0x123, b"\x03"), (0x123, b"\x04", EXTENDED)]
    samples = Decoder(profile).decode(frames_of(rows, bus=["engine", "engine", "body", "body"]))
    assert _columns(profile, samples) == {
        "eleven": [(0, 1.0, GOOD)],
        "twenty_nine": [(1, 2.0, GOOD)],
        "other_bus": [(2, 3.0, GOOD)],
    }
    assert samples.counts == {"frames not in the profile": 1}


def test_the_order_of_buses_in_a_batch_may_change(profile_of: Make, frames_of: Frames) -> None:
    profile = profile_of([_message(Signal("A", 0, 8))], [_channel("a", "A")], buses=["body", "engine"])
    decoder = Decoder(profile)
    for buses in (["engine", "body"], ["body", "engine"], ["new", "engine"], ["engine", "new"]):
        samples = decoder.decode(frames_of([(0x123, b"\x01"), (0x123, b"\x01")], bus=buses))
        assert [row for row, _, _ in _columns(profile, samples)["a"]] == [buses.index("engine")]


def test_frames_on_a_bus_the_profile_does_not_know_are_counted_by_bus(profile_of: Make, frames_of: Frames) -> None:
    profile = profile_of([_message(Signal("A", 0, 8))], [_channel("a", "A")])
    rows = [(0x123, b"\x01"), (0x123, b"\x01"), (0x77, b""), (0x123, b"\x01", EXTENDED)]
    samples = Decoder(profile).decode(frames_of(rows, bus=["can1", "can1", "can2", "can1"]))
    assert samples.columns == []
    assert samples.counts == {
        "frames on bus can1, which is not in the profile": 3,
        "frames on bus can2, which is not in the profile": 1,
    }


def test_identifiers_not_in_the_profile_are_told_most_frames_first(profile_of: Make, frames_of: Frames) -> None:
    profile = profile_of(
        [_message(Signal("A", 0, 8)), _message(Signal("B", 0, 8), identifier=0x200)], [_channel("a", "A")]
    )
    decoder = Decoder(profile)
    rows = [(0x7FF, b"")] * 3 + [(0x1ABCDEF, b"", EXTENDED)] * 5 + [(0x000, b""), (0x200, b""), (0x123, b"\x01")]
    assert decoder.decode(frames_of(rows)).counts == {"frames not in the profile": 9}, "200 is known, though not wanted"
    decoder.decode(frames_of([(0x7FF, b"")] * 4))
    assert decoder.unused == 0, "nothing is wrong with them"
    found = decoder.odd_identifiers()["frames not in the profile"]
    assert [(each.identifier, each.extended, each.frames) for each in found] == [
        (0x7FF, False, 7),
        (0x1ABCDEF, True, 5),
        (0x000, False, 1),
    ]


def test_memory_for_unknown_identifiers_is_bounded(profile_of: Make) -> None:
    decoder = Decoder(profile_of([_message(Signal("A", 0, 8))], [_channel("a", "A")]))
    n = 50_000
    for start in range(0, n, 5000):
        identifier = np.arange(start, start + 5000, dtype=np.uint32)
        zero = np.zeros(5000, np.uint8)
        batch = FrameBatch(
            np.zeros(5000, np.int64),
            zero,
            identifier,
            zero + EXTENDED,
            zero,
            np.zeros((5000, 8), np.uint8),
            ("engine",),
        )
        counts = decoder.decode(batch).counts
        assert counts.pop(TOO_LONG, 0) == (start == 0), "one of them is a number the profile has under 11 bits"
        assert counts == {"frames not in the profile": 5000}
    assert len(decoder.odd_identifiers()["frames not in the profile"]) == 4096


@pytest.mark.parametrize(
    ("flag", "kind"),
    [
        (ERROR, "error frames"),
        (REMOTE, "remote frames"),
        (SENT, "frames sent by the recording node, not decoded"),
        (ERROR | SENT, "error frames"),
        (ERROR | REMOTE, "error frames"),
    ],
)
def test_frames_without_broadcast_data_are_counted_not_decoded(
    profile_of: Make, frames_of: Frames, flag: int, kind: str
) -> None:
    profile = profile_of([_message(Signal("A", 0, 8))], [_channel("a", "A")])
    rows = [(0x123, b"\x01"), (0x123, b"\x02", flag), (0x456, b"\x02", flag), (0x123, b"\x03")]
    samples = Decoder(profile).decode(frames_of(rows))
    assert _columns(profile, samples) == {"a": [(0, 1.0, GOOD), (3, 3.0, GOOD)]}
    assert samples.counts == {kind: 2}


def test_an_11_bit_frame_with_a_larger_number_is_not_taken_for_another(profile_of: Make, frames_of: Frames) -> None:
    profile = profile_of([_message(Signal("A", 0, 8))], [_channel("a", "A")])
    samples = Decoder(profile).decode(frames_of([(0x123 + 2048, b"\x01")]))
    assert (samples.columns, samples.counts) == ([], {"frames not in the profile": 1})


def test_no_frames_and_no_bound_channels_are_no_trouble(profile_of: Make, frames_of: Frames) -> None:
    nothing = Decoder(profile_of()).decode(FrameBatch.empty())
    assert (len(nothing), nothing.columns, nothing.counts) == (0, [], {})
    unbound = profile_of([_message(Signal("A", 0, 8))], [Channel("table_only", "1")])
    samples = Decoder(unbound).decode(frames_of([(0x123, b"\x01"), (0x124, b"\x01")]))
    assert (len(samples), samples.columns, samples.counts) == (2, [], {"frames not in the profile": 1})


def test_a_channel_bound_to_no_signal_is_refused(profile_of: Make) -> None:
    with pytest.raises(ValueError, match="channel a: no signal B in message 123 on bus engine"):
        Decoder(profile_of([_message(Signal("A", 0, 8))], [_channel("a", "B")]))


@pytest.mark.parametrize(
    ("signals", "said"),
    [
        ((Signal("A", 0, 8, multiplexer="Z", multiplexer_values=((0, 0),)),), "A is selected by Z"),
        ((Signal("A", 0, 8, multiplexer="A", multiplexer_values=((0, 0),)),), "A is selected by A"),
        ((Signal("A", 0, 24, kind="float"),), "a float has 16, 32 or 64 bits, not 24"),
    ],
)
def test_a_layout_that_makes_no_sense_is_refused(profile_of: Make, signals: tuple[Signal, ...], said: str) -> None:
    with pytest.raises(ValueError, match=said):
        Decoder(profile_of([_message(*signals)], [_channel("a", "A")]))


def test_identifiers_of_11_bits_written_with_8_digits_are_said_to_be_so(tmp_path):
    path = tmp_path / "drive.log"
    path.write_text("(1777884600.000000) can0 000000F0#0102 R\n(1777884600.010000) can0 00000123#0102 R\n")
    profile = load_profile_text(
        "profile: 1\nname: car\ndecode: [{frame: 0x0F0, bus: engine, signals: {A: {start: 0, length: 8, unit: rpm}}}]\n"
        "channels: {engine_speed: {signal: A}}\n",
        "car.yaml",
        None,
    )
    (batch,) = open_recording(path).batches()
    counts = Decoder(profile).decode(replace(batch, buses=("engine",))).counts
    assert counts == {"frames not in the profile": 2, TOO_LONG: 1}
