"""Diagnostic answers in a recording, whoever asked, become samples of the channels that want them."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from livewatch.data.frames import ERROR, EXTENDED, FD, REMOTE, SENT, FrameBatch
from livewatch.data.samples import SampleBatch
from livewatch.decode import Decoder
from livewatch.profile.diagnostic_port.j1979 import J1979
from livewatch.profile.model import Channel, Diagnostics, Parameter, Profile, Signal

Frames = Callable[..., FrameBatch]
Transfer = Callable[..., list[bytes]]
Make = Callable[..., Profile]

BOOST = Parameter(0x22, 0xF40B, "boost", 2, (Signal("boost", 7, 16, "big_endian", scale=0.1, unit="kPa"),))
BLOCK = Parameter(
    0x22,
    0x1234,
    "block",
    120,
    (Signal("last", 119 * 8 + 7, 8, "big_endian", unit="1"), Signal("first", 0, 16, "little_endian", unit="1")),
)
CHANNELS = [
    Channel("engine_speed", "rpm", parameter=(0x01, 0x0C, "engine_speed")),
    Channel("coolant_temperature", "degC", parameter=(0x01, 0x05, "engine_coolant_temperature")),
    Channel("lambda_1", "1", parameter=(0x01, 0x34, "lambda_bank_1_sensor_1"), valid=(0.5, 1.9)),
    Channel("boost_pressure", "kPa", parameter=(0x22, 0xF40B, "boost")),
    Channel("last_byte", "1", parameter=(0x22, 0x1234, "last")),
]


@pytest.fixture
def profile(profile_of: Make) -> Profile:
    """One diagnostic port with the parameters of J1979 and two listed identifiers."""
    diagnostics = Diagnostics("engine", 0x7DF, False, (0x6F1, 0x12345678), (*J1979.values(), BOOST, BLOCK), ())
    return profile_of(channels=CHANNELS, diagnostics=[diagnostics], buses=["engine", "body"])


def _values(profile: Profile, samples: SampleBatch) -> dict[str, list[tuple[int, float]]]:
    """Channel name to (row, value) of its samples."""
    names = [profile.channels[column.channel].name for column in samples.columns]
    assert len(set(names)) == len(names), "at most one column a channel"
    return {
        name: list(zip(column.row.tolist(), column.value.tolist(), strict=True))
        for name, column in zip(names, samples.columns, strict=True)
    }


def _single(answer: str) -> bytes:
    data = bytes.fromhex(answer)
    return (bytes((len(data),)) + data).ljust(8, b"\xaa")


@pytest.mark.parametrize(
    ("identifier", "flags"),
    [
        (0x7E8, 0),
        (0x7EB, 0),
        (0x7EF, 0),
        (0x18DAF110, EXTENDED),
        (0x18DAF1FE, EXTENDED),
        (0x6F1, 0),
        (0x12345678, EXTENDED),
    ],
)
def test_answers_are_recognised_by_their_identifier(
    profile: Profile, frames_of: Frames, identifier: int, flags: int
) -> None:
    """7E8..7EF and 18DAF1xx (ISO 15765-4), and those the profile lists."""
    samples = Decoder(profile).decode(frames_of([(identifier, _single("41 0C 1A F8"), flags)]))
    assert _values(profile, samples) == {"engine_speed": [(0, 1726.0)]}
    assert samples.counts == {}


def test_other_identifiers_and_other_buses_bring_no_answers(profile: Profile, frames_of: Frames) -> None:
    data = _single("41 0C 1A F8")
    rows = [(0x7E7, data), (0x7F0, data), (0x7E8, data, EXTENDED), (0x18DAF210, data, EXTENDED), (0x7E8, data)]
    samples = Decoder(profile).decode(frames_of(rows, bus=["engine"] * 4 + ["body"]))
    assert samples.columns == []
    assert samples.counts == {"frames not in the profile": 4}, "7E7 is a request"


@pytest.mark.parametrize("flag", [ERROR, REMOTE, SENT])
def test_frames_that_are_no_answers_from_the_car_are_left_out(profile: Profile, frames_of: Frames, flag: int) -> None:
    samples = Decoder(profile).decode(frames_of([(0x7E8, _single("41 0C 1A F8"), flag)]))
    assert samples.columns == []
    assert sum(samples.counts.values()) == 1


def test_requests_and_flow_control_are_neither_unknown_nor_odd(profile: Profile, frames_of: Frames) -> None:
    """Ours (sent) and another tester's: functional and physical, 11 and 29 bits."""
    request, control = bytes.fromhex("02 01 0C 00 00 00 00 00"), bytes.fromhex("30 00 00 00 00 00 00 00")
    rows: list[tuple[int, bytes, int]] = []
    for flags in (0, SENT):
        rows += [(0x7DF, request, flags), (0x7E0, control, flags)]
        rows += [(0x18DB33F1, request, EXTENDED | flags), (0x18DA10F1, control, EXTENDED | flags)]
    samples = Decoder(profile).decode(frames_of(rows))
    assert (samples.columns, samples.counts) == ([], {})


def test_a_port_may_have_identifiers_of_its_own(profile_of: Make, frames_of: Frames) -> None:
    """Answers listed on a port that asks with 29 bits are 29-bit identifiers, however small; so is its request."""
    ports = [
        Diagnostics("engine", 0x6F0, False, (0x6F1,), (), ()),
        Diagnostics("body", 0x1234567, True, (0x6F1,), (), ()),
    ]
    profile = profile_of(channels=CHANNELS[:1], diagnostics=ports, buses=["engine", "body"])
    asked, answered = bytes.fromhex("02 01 0C 00 00 00 00 00"), _single("41 0C 1A F8")
    rows = [(0x6F0, asked), (0x6F1, answered), (0x1234567, asked, EXTENDED), (0x6F1, answered, EXTENDED)]
    samples = Decoder(profile).decode(frames_of(rows, bus=["engine", "engine", "body", "body"]))
    assert _values(profile, samples) == {"engine_speed": [(1, 1726.0), (3, 1726.0)]}
    assert samples.counts == {}


def test_several_parameters_in_one_answer(profile: Profile, frames_of: Frames, frames_of_transfer: Transfer) -> None:
    """SAE J1979 lets a tester ask for six at once; 0D is not wanted by any channel."""
    answer = bytes.fromhex("41 0C 1A F8 05 7B 0D 50 34 80 00 80 00")
    frames = [(0x7E8, frame) for frame in frames_of_transfer(answer, tx_padding=0)]
    samples = Decoder(profile).decode(frames_of(frames))
    assert _values(profile, samples) == {
        "engine_speed": [(1, 1726.0)],
        "coolant_temperature": [(1, 83.0)],
        "lambda_1": [(1, 1.0)],
    }


def test_several_listed_identifiers_in_one_answer(
    profile: Profile, frames_of: Frames, frames_of_transfer: Transfer
) -> None:
    answer = bytes.fromhex("62 F4 0B 06 2C 12 34") + bytes(119) + b"\x2a" + bytes.fromhex("F4 0B 06 2D")
    frames = [(0x7E8, frame) for frame in frames_of_transfer(answer)]
    values = _values(profile, Decoder(profile).decode(frames_of(frames)))
    last = len(frames) - 1
    assert values["boost_pressure"] == [(last, pytest.approx(158.0)), (last, pytest.approx(158.1))]
    assert values["last_byte"] == [(last, 42.0)]


def test_an_undeclared_parameter_ends_the_reading_of_its_answer(
    profile: Profile, frames_of: Frames, frames_of_transfer: Transfer
) -> None:
    """How long C5 is, nobody knows, so what follows it cannot be told apart."""
    answer = bytes.fromhex("41 05 7B C5 00 0C 1A F8")
    frames = [(0x7E8, frame) for frame in frames_of_transfer(answer)]
    decoder = Decoder(profile)
    samples = decoder.decode(frames_of(frames))
    assert _values(profile, samples) == {"coolant_temperature": [(1, 83.0)]}
    (kind,) = samples.counts
    assert (kind, samples.counts[kind]) == ("diagnostic answers with a parameter that is not declared", 1)
    assert [(each.identifier, each.frames) for each in decoder.odd_identifiers()[kind]] == [(0x7E8, 1)]


def test_bitmaps_of_supported_parameters_do_not_hide_what_follows(
    profile: Profile, frames_of: Frames, frames_of_transfer: Transfer
) -> None:
    answer = bytes.fromhex("41 00 BE 3E B8 13 01 00 07 E5 00 0C 1A F8")
    frames = [(0x7E8, frame) for frame in frames_of_transfer(answer)]
    assert _values(profile, Decoder(profile).decode(frames_of(frames))) == {"engine_speed": [(2, 1726.0)]}


def test_an_answer_shorter_than_its_parameter_brings_what_is_whole(profile: Profile, frames_of: Frames) -> None:
    """34 without its current still has its lambda; 0C with one byte has nothing; 05 before a cut 0C is whole."""
    rows = [(0x7E8, _single(answer)) for answer in ("41 34 80 00", "41 0C 1A", "41 05 7B 0C 1A", "41", "62 F4")]
    samples = Decoder(profile).decode(frames_of(rows))
    assert _values(profile, samples) == {"lambda_1": [(0, 1.0)], "coolant_temperature": [(2, 83.0)]}
    assert samples.counts == {"diagnostic answers shorter than their parameter": 5}


def test_negative_answers_are_counted_by_code(profile: Profile, frames_of: Frames) -> None:
    """ISO 14229-1: 78 asks to wait; the answer proper comes later."""
    rows = [(0x7E8, _single(answer)) for answer in ("7F 22 78", "7F 22 78", "62 F4 0B 06 2C", "7F 01 31", "7F 01 99")]
    samples = Decoder(profile).decode(frames_of(rows))
    assert _values(profile, samples) == {"boost_pressure": [(2, pytest.approx(158.0))]}
    assert samples.counts == {
        "diagnostic answers put off (code 78)": 2,
        "negative diagnostic answers, code 31 (request out of range)": 1,
        "negative diagnostic answers, code 99": 1,
    }


def test_answers_of_other_services_are_counted_and_not_taken_for_live_values(
    profile: Profile, frames_of: Frames
) -> None:
    """42 is a freeze frame (service 02): the same layout, but hours old."""
    rows = [(0x7E8, _single(answer)) for answer in ("42 0C 00 1A F8", "43 01 01 71", "49 02 01", "7F 01")]
    samples = Decoder(profile).decode(frames_of(rows))
    assert samples.columns == []
    assert samples.counts == {"diagnostic answers of services that are not decoded": 2}
    assert [(row, event.kind) for row, event in samples.told] == [(1, "freeze frame"), (1, "fault codes")]


def test_engine_computers_answering_at_once_are_kept_apart(
    profile: Profile, frames_of: Frames, frames_of_transfer: Transfer
) -> None:
    first = frames_of_transfer(bytes.fromhex("41 0C 1A F8 05 7B 34 80 00 80 00"))
    second = frames_of_transfer(bytes.fromhex("41 0C 0A F8 05 7C 34 40 00 80 00"))
    assert len(first) == len(second) == 2
    rows = [(0x7E8, first[0]), (0x7E9, second[0]), (0x18DAF110, first[0], EXTENDED), (0x7E9, second[1])]
    rows += [(0x7E8, first[1]), (0x18DAF110, first[1], EXTENDED)]
    values = _values(profile, Decoder(profile).decode(frames_of(rows)))
    assert values["engine_speed"] == [(3, 702.0), (4, 1726.0), (5, 1726.0)]
    assert values["lambda_1"] == [(3, 0.5), (4, 1.0), (5, 1.0)]


@pytest.mark.parametrize(("identifier", "flags"), [(0x7EA, 0), (0x18DAF128, EXTENDED)])
def test_an_answer_that_broke_off_is_counted_with_its_sender(
    profile: Profile, frames_of: Frames, frames_of_transfer: Transfer, identifier: int, flags: int
) -> None:
    frames = frames_of_transfer(bytes.fromhex("41 0C 1A F8 05 7B 34 80 00 80 00"))
    decoder = Decoder(profile)
    samples = decoder.decode(frames_of([(identifier, frames[0], flags), (identifier, _single("41 05 7B"), flags)]))
    assert _values(profile, samples) == {"coolant_temperature": [(1, 83.0)]}
    assert samples.counts == {"diagnostic answers that broke off": 1}
    (odd,) = decoder.odd_identifiers()["diagnostic answers that broke off"]
    assert (odd.bus, odd.identifier, odd.extended, odd.frames) == ("engine", identifier, bool(flags), 1)


def test_an_answer_spans_batches(profile: Profile, frames_of: Frames, frames_of_transfer: Transfer) -> None:
    frames = frames_of_transfer(bytes.fromhex("41 0C 1A F8 05 7B 34 80 00 80 00"))
    decoder = Decoder(profile)
    assert decoder.decode(frames_of([(0x7E8, frames[0])])).columns == []
    samples = decoder.decode(frames_of([(0x123, b""), (0x7E8, frames[1])]))
    assert _values(profile, samples)["engine_speed"] == [(1, 1726.0)]


def test_answers_in_can_fd_frames(profile: Profile, frames_of: Frames, frames_of_transfer: Transfer) -> None:
    answer = bytes.fromhex("62 F4 0B 06 2C 12 34") + bytes(119) + b"\x2a"
    frames = frames_of_transfer(answer, tx_data_length=64)
    single = frames_of_transfer(bytes.fromhex("41 0C 1A F8 05 7B 34 80 00 80 00"), tx_data_length=64)
    assert (len(frames), len(single), single[0][:2]) == (3, 1, b"\x00\x0b")
    rows = [(0x7E8, frame, FD) for frame in (*single, *frames)]
    values = _values(profile, Decoder(profile).decode(frames_of(rows)))
    assert values["engine_speed"] == [(0, 1726.0)]
    assert values["last_byte"] == [(3, 42.0)]


def test_two_diagnostic_ports_feed_one_channel_in_order(profile_of: Make, frames_of: Frames) -> None:
    ports = [Diagnostics(bus, 0x7DF, False, (), (), ()) for bus in ("engine", "body")]
    profile = profile_of(channels=CHANNELS[:1], diagnostics=ports, buses=["engine", "body"])
    rows = [(0x7E8, _single(f"41 0C {i:02X} 00")) for i in range(6)]
    buses = ["engine", "body", "body", "engine", "body", "engine"]
    values = _values(profile, Decoder(profile).decode(frames_of(rows, bus=buses)))
    assert values["engine_speed"] == [(i, 64.0 * i) for i in range(6)]


def test_a_declared_parameter_replaces_the_one_of_j1979(profile_of: Make, frames_of: Frames) -> None:
    """Some engine computers answer a standard parameter in a layout of their own."""
    own = Parameter(0x01, 0x0B, "own", 2, (Signal("own", 7, 16, "big_endian", scale=0.01, unit="kPa"),))
    profile = profile_of(
        channels=[Channel("manifold_pressure", "kPa", parameter=(0x01, 0x0B, "own"))],
        diagnostics=[Diagnostics("engine", 0x7DF, False, (), (own,), ())],
    )
    rows = [(0x7E8, _single("41 4F 00 00 00 33")), (0x7E8, _single("41 0B 27 10"))]
    samples = Decoder(profile).decode(frames_of(rows))
    assert _values(profile, samples) == {"manifold_pressure": [(1, 100.0)]}, "ranges declared in 4F are J1979's affair"


def test_a_channel_bound_to_no_parameter_is_refused(profile_of: Make) -> None:
    channel = Channel("x", "1", parameter=(0x22, 0x9999, "x"))
    for ports in ([], [Diagnostics("engine", 0x7DF, False, (), (), ())]):
        with pytest.raises(ValueError, match="channel x: no signal x in parameter 22 9999"):
            Decoder(profile_of(channels=[channel], diagnostics=ports))


def test_a_sender_that_keeps_changing_its_ranges_takes_no_memory(profile_of: Make, frames_of: Frames) -> None:
    profile = profile_of(
        channels=[Channel("manifold_pressure", "kPa", parameter=(1, 0x0B, "intake_manifold_absolute_pressure"))],
        diagnostics=[Diagnostics("engine", 0x7DF, False, (), (), ())],
    )
    decoder = Decoder(profile)
    for d in range(1, 256):
        rows = [(0x7E8, _single(f"41 4F 00 00 00 {d:02X}")), (0x7E8, _single("41 0B FF"))]
        (column,) = decoder.decode(frames_of(rows)).columns
        np.testing.assert_allclose(column.value, [10.0 * d])
    assert len(decoder._answers._layouts) < 100
