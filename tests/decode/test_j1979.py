"""Answers to SAE J1979 service 01 hold the values the standard says.

Scalings and worked answers: SAE J1979 / ISO 15031-5, checked against a public table, unless marked "from memory". The
`obd` package is a second oracle for every parameter that it and livewatch both know.
"""

from __future__ import annotations

from collections.abc import Callable
from types import ModuleType
from typing import TYPE_CHECKING

import numpy as np
import pytest

from livewatch.data.channels import CATALOGUE
from livewatch.data.frames import FrameBatch
from livewatch.decode import Decoder
from livewatch.profile.diagnostic_port.j1979 import J1979, J1979_CHANNELS
from livewatch.profile.diagnostic_port.j1979_ranges import Largest, rescaled
from livewatch.profile.model import Channel, Diagnostics, Message, Parameter, Profile
from livewatch.profile.units import registry
from tests.decode.whole_message import decode_message

if TYPE_CHECKING:
    import obd

ANY_DATA = np.random.default_rng(1979).integers(0, 256, (256, 16), dtype=np.uint8)


def _decoded(parameter: Parameter, data: np.ndarray) -> dict[str, np.ndarray]:
    """float64 (n,) by signal name, NaN where absent, of the rows' first bytes as answers to `parameter`."""
    message = Message("engine", 0x7E8, False, parameter.name, parameter.length, parameter.signals)
    length = np.full(len(data), parameter.length, np.uint8)
    return {name: value for name, (value, _) in decode_message(message, data[:, : parameter.length], length).items()}


def _first(identifier: int, data: np.ndarray) -> np.ndarray:
    parameter = J1979[identifier]
    return _decoded(parameter, data)[parameter.signals[0].name]


A, B, C, D = (ANY_DATA[:, i].astype(np.float64) for i in range(4))
PUBLIC_TABLE = {
    0x04: 100 * A / 255,
    0x05: A - 40,
    **dict.fromkeys((0x06, 0x07, 0x08, 0x09), 100 * A / 128 - 100),
    0x0A: 3 * A,
    0x0B: A,
    0x0C: (256 * A + B) / 4,
    0x0D: A,
    0x0E: A / 2 - 64,
    0x0F: A - 40,
    0x10: (256 * A + B) / 100,
    0x11: 100 * A / 255,
    0x23: 10 * (256 * A + B),
    **dict.fromkeys((*range(0x24, 0x2C), *range(0x34, 0x3C), 0x44), 2 * (256 * A + B) / 65536),
    0x33: A,
    0x42: (256 * A + B) / 1000,
    0x43: 100 * (256 * A + B) / 255,
    0x46: A - 40,
    0x52: 100 * A / 255,
    0x5C: A - 40,
}
FROM_MEMORY = {
    **dict.fromkeys(range(0x14, 0x1C), A / 200),
    0x1F: 256 * A + B,
    **dict.fromkeys((0x2C, 0x2E, 0x2F, 0x45, 0x47, 0x48, 0x49, 0x4A, 0x4B, 0x4C, 0x5A, 0x5B), 100 * A / 255),
    0x2D: 100 * A / 128 - 100,
    **dict.fromkeys(range(0x3C, 0x40), (256 * A + B) / 10 - 40),
    0x50: 10 * A,
    0x59: 10 * (256 * A + B),
    0x5D: (256 * A + B) / 128 - 210,
    0x5E: (256 * A + B) / 20,
    **dict.fromkeys((0x61, 0x62), A - 125),
    0x63: 256 * A + B,
}


@pytest.mark.parametrize("identifier", [*PUBLIC_TABLE, *FROM_MEMORY], ids=lambda identifier: f"{identifier:02X}")
def test_a_parameter_is_scaled_as_the_standard_says(identifier: int) -> None:
    expected = {**PUBLIC_TABLE, **FROM_MEMORY}[identifier]
    np.testing.assert_allclose(_first(identifier, ANY_DATA), expected, rtol=1e-14, atol=1e-12)


def test_the_second_value_of_oxygen_sensors_is_scaled_as_the_standard_says() -> None:
    """Voltage 8 (256 C + D) / 65536 V, current (256 C + D) / 256 - 128 mA. From memory."""
    for identifier in range(0x24, 0x2C):
        voltage = _decoded(J1979[identifier], ANY_DATA)[J1979[identifier].signals[1].name]
        np.testing.assert_allclose(voltage, 8 * (256 * C + D) / 65536, rtol=1e-14)
    for identifier in range(0x34, 0x3C):
        current = _decoded(J1979[identifier], ANY_DATA)[J1979[identifier].signals[1].name]
        np.testing.assert_allclose(current, (256 * C + D) / 256 - 128, rtol=1e-14)


@pytest.mark.parametrize(
    ("answer", "channel", "value"),
    [
        ("41 0C 1A F8", "engine_speed", 1726.0),
        ("41 06 80", "short_term_fuel_trim_1", 0.0),
        ("41 06 FF", "short_term_fuel_trim_1", 99.21875),
        ("41 10 01 F4", "mass_air_flow", 5.00),
        ("41 44 80 00", "commanded_lambda", 1.000),
    ],
)
def test_worked_answers(
    profile_of: Callable[..., Profile], frames_of: Callable[..., FrameBatch], answer: str, channel: str, value: float
) -> None:
    profile = _polled(profile_of)
    data = bytes.fromhex(answer)
    samples = Decoder(profile).decode(frames_of([(0x7E8, (bytes((len(data),)) + data).ljust(8, b"\x55"))]))
    assert {profile.channels[each.channel].name: each.value.tolist() for each in samples.columns} == {channel: [value]}
    assert samples.counts == {}


NOT_NUMBERS = {
    **dict.fromkeys((0x00, 0x20, 0x40), "bitmaps of parameters"),
    **dict.fromkeys((0x01, 0x41), "bitmaps of monitors"),
    0x02: "a trouble code",
    **dict.fromkeys((0x03, 0x12, 0x13, 0x1C, 0x1D, 0x1E, 0x51), "states and bitmaps, which obd gives as words"),
    **dict.fromkeys((0x4F, 0x5F), "not decoded by obd"),
    0x54: "published tables disagree on its sign, so that livewatch does not decode it",
    0x32: "obd takes each of the two bytes for signed; checked by itself below",
}
ROUNDED = {
    **dict.fromkeys(range(0x24, 0x2C), "obd divides by 65535 where the public table has 65536"),
    0x44: "obd writes 2/65536 as 0.0000305",
}


@pytest.fixture(scope="module")
def known_to_both() -> list[obd.OBDCommand]:
    library = _obd()
    return [command for command in library.commands[1] if command.pid in J1979]


def _obd() -> ModuleType:
    import obd  # late: no other test process needs it

    return obd


def test_obd_knows_most_of_the_parameters_and_expects_answers_of_the_same_length(
    known_to_both: list[obd.OBDCommand],
) -> None:
    assert [command.pid for command in known_to_both] == list(range(0x60))
    for command in known_to_both:
        assert J1979[command.pid].length == command.bytes - 2, command.name


def test_obd_decodes_any_answer_to_the_same_value(known_to_both: list[obd.OBDCommand]) -> None:
    decoders = _obd().decoders
    second_signal = (decoders.sensor_voltage_big, decoders.current_centered)  # obd decodes only that of these
    for command in known_to_both:
        if command.pid in NOT_NUMBERS:
            continue
        parameter = J1979[command.pid]
        signal = parameter.signals[1 if command.decode in second_signal else 0]
        ours = _decoded(parameter, ANY_DATA)[signal.name]
        theirs = _obd_values(command, ANY_DATA, signal.unit or "1")
        within = 1e-3 if command.pid in ROUNDED else 1e-12
        np.testing.assert_allclose(ours, theirs, rtol=within, atol=1e-9, err_msg=command.name)


def test_vapour_pressure_is_one_signed_number() -> None:
    """(256 A + B) / 4 Pa, two's complement. obd takes B for signed too: 64 Pa less wherever B is 128 or more."""
    theirs = _obd_values(_obd().commands[1][0x32], ANY_DATA, "Pa")
    np.testing.assert_allclose(_first(0x32, ANY_DATA), theirs + 64.0 * (B >= 128))
    assert _first(0x32, np.array([[0x80, 0x00], [0x7F, 0xFF]], np.uint8)).tolist() == [-8192.0, 8191.75]


def _obd_values(command: obd.OBDCommand, data: np.ndarray, unit: str) -> np.ndarray:
    """float64 (n,) in `unit`: what obd makes of the rows' first bytes as answers."""
    from obd.protocols.protocol import Message

    decoded = []
    for row in data:
        message = Message([])
        message.data = bytearray((0x41, command.pid, *row[: command.bytes - 2].tolist()))
        decoded.append(command.decode([message]))
    (theirs,) = {str(quantity.units) for quantity in decoded}
    values = np.array([float(quantity.magnitude) for quantity in decoded])
    if theirs in ("count", "ratio", "percent"):
        assert unit in ("1", "%")
        return values
    known = {"gps": "g/s", "liters_per_hour": "L/h", "lph": "L/h", "kph": "km/h"}.get(theirs, theirs)
    return np.asarray(registry.Quantity(values, known).to(unit).magnitude)


def test_a_value_whose_support_bit_is_clear_is_not_there() -> None:
    """Parameter 70 with bits 0 and 1 set: commanded and measured boost A only. Layout and 1/32 kPa from memory."""
    data = bytes.fromhex("03 18 00 17 80 FF FF FF FF 00")
    values = _decoded(J1979[0x70], np.frombuffer(data, np.uint8).reshape(1, -1))
    assert values["commanded_boost_pressure_a"] == [192.0]
    assert values["boost_pressure_sensor_a"] == [188.0]
    assert np.isnan(values["commanded_boost_pressure_b"]).all()
    assert np.isnan(values["boost_pressure_sensor_b"]).all()


def test_wastegate_positions_follow_their_support_bits() -> None:
    """Parameter 72, bits 0..3 for commanded A, A, commanded B, B; 100/255 % each. From memory."""
    names = [signal.name for signal in J1979[0x72].signals if not signal.is_multiplexer]
    for bits in range(16):
        data = np.array([[bits, 255, 51, 0, 102]], np.uint8)
        values = _decoded(J1979[0x72], data)
        there = [bool(bits >> i & 1) for i in range(4)]
        assert [not np.isnan(values[name][0]) for name in names] == there
        for name, value, present in zip(names, (100.0, 20.0, 0.0, 40.0), there, strict=True):
            if present:
                assert values[name][0] == pytest.approx(value)


def test_the_largest_values_declared_in_4f_and_50_stretch_the_scales() -> None:
    """The largest raw number stands for the declared value. SAE J1979, from memory."""
    declared = Largest().updated(0x4F, bytes((4, 16, 64, 51))).updated(0x50, bytes((100, 0, 0, 0)))
    top = np.full((1, 4), 255, np.uint8)

    def largest(identifier: int) -> list[float]:
        values = _decoded(rescaled(J1979[identifier], declared), top)
        return [float(value[0]) for value in values.values()]

    assert largest(0x0B) == [510.0]
    assert largest(0x10) == pytest.approx([1000.0])
    assert largest(0x24) == pytest.approx([4.0, 16.0])
    assert largest(0x44) == pytest.approx([4.0])
    assert largest(0x3B) == pytest.approx([4.0, 64.0], rel=1e-4)
    assert largest(0x0C) == [16383.75], "untouched"
    assert rescaled(J1979[0x0B], Largest()) == J1979[0x0B], "0 keeps the standard scale"


def test_manifold_pressure_beyond_255_kpa_is_read_from_the_answer_to_4f_on(
    profile_of: Callable[..., Profile], frames_of: Callable[..., FrameBatch]
) -> None:
    """One engine computer declares 510 kPa; another on the same bus does not."""
    profile = _polled(profile_of, {(0x0B, "intake_manifold_absolute_pressure"): "manifold_pressure"})
    pressure = bytes.fromhex("03 41 0B 64 00 00 00 00")
    ranges = bytes.fromhex("06 41 4F 00 00 00 33 00")
    frames = frames_of([(0x7E8, pressure), (0x7E8, ranges), (0x7E8, pressure), (0x7E9, pressure), (0x7E8, pressure)])
    decoder = Decoder(profile)
    (column,) = decoder.decode(frames).columns
    assert column.row.tolist() == [0, 2, 3, 4]
    assert column.value.tolist() == [100.0, 200.0, 100.0, 200.0]
    (column,) = decoder.decode(frames[4:]).columns
    assert column.value.tolist() == [200.0]


def test_every_mapped_signal_has_the_unit_of_its_channel() -> None:
    for (identifier, name), channel in J1979_CHANNELS.items():
        (signal,) = [each for each in J1979[identifier].signals if each.name == name]
        assert signal.unit == CATALOGUE[channel].unit, (f"{identifier:02X}", name)


def test_every_signal_lies_within_its_parameter_and_has_a_unit_pint_knows() -> None:
    for identifier, parameter in J1979.items():
        assert (parameter.service, parameter.identifier) == (0x01, identifier)
        assert len({signal.name for signal in parameter.signals}) == len(parameter.signals)
        for signal in parameter.signals:
            registry.Unit(signal.unit if signal.unit != "1" else "dimensionless")
        whole = np.zeros((1, parameter.length), np.uint8)
        always = [signal.name for signal in parameter.signals if signal.multiplexer is None]
        assert not np.isnan([_decoded(parameter, whole)[name][0] for name in always]).any()


def _polled(profile_of: Callable[..., Profile], bound: dict[tuple[int, str], str] | None = None) -> Profile:
    channels: dict[str, Channel] = {}
    for (identifier, signal), name in (bound or J1979_CHANNELS).items():
        channels.setdefault(name, Channel(name, CATALOGUE[name].unit, parameter=(0x01, identifier, signal)))
    diagnostics = Diagnostics("engine", 0x7DF, False, (), tuple(J1979.values()), ())
    return profile_of(channels=list(channels.values()), diagnostics=[diagnostics])
