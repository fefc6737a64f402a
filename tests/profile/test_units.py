"""Units as people of the trade write them."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from livewatch.data.channels import CATALOGUE
from livewatch.profile.units import (
    COMMON,
    SPELLINGS,
    UnitError,
    convert,
    difference_scale,
    parse_duration,
    parse_quantity,
    parse_range,
    read_unit,
    unit_text,
)


@pytest.mark.parametrize(
    ("source", "target", "scale"),
    [
        # NIST SP 811 (2008), appendix B.8, to the digits printed there.
        ("psi", "kPa", 6.894757),
        ("bar", "kPa", 100.0),
        ("mbar", "hPa", 1.0),
        ("inHg", "kPa", 3.386389),
        ("mmHg", "Pa", 133.3224),
        ("inH2O", "Pa", 249.0889),
        ("atm", "kPa", 101.325),
        ("ft*lbf", "N*m", 1.355818),
        ("hp", "kW", 0.7456999),
        ("PS", "W", 735.4988),
        ("mph", "km/h", 1.609344),
        ("lb", "g", 453.59237),
        ("gal", "L", 3.785412),
        ("cuin", "cc", 16.387064),
        # By definition.
        ("km/h", "m/s", 1 / 3.6),
        ("kg/h", "g/s", 1 / 3.6),
        ("L/h", "cc/min", 1000 / 60),
        ("rad", "deg", 180 / math.pi),
        ("rad/s", "rpm", 60 / (2 * math.pi)),
        ("Hz", "rpm", 60.0),
        ("rpm", "Hz", 1 / 60),
        ("krpm", "rpm", 1000.0),
        ("rpm", "deg/s", 6.0),
        ("%", "1", 0.01),
        ("1", "%", 100.0),
        ("V", "mV", 1000.0),
    ],
)
def test_a_unit_converts_as_the_handbook_says(source: str, target: str, scale: float) -> None:
    found, offset = convert(source, target)
    assert offset == 0.0
    assert found == pytest.approx(scale, rel=2e-7)


@pytest.mark.parametrize(
    ("value", "source", "target", "expected"),
    [
        (0.0, "degC", "degF", 32.0),
        (100.0, "degC", "degF", 212.0),
        (0.0, "°C", "K", 273.15),
        (-40.0, "degF", "degC", -40.0),
    ],
)
def test_temperatures_keep_their_zero_points(value: float, source: str, target: str, expected: float) -> None:
    scale, offset = convert(source, target)
    assert value * scale + offset == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize(
    ("first", "second"),
    [
        ("km/h", "kph"),
        ("L/h", "l/h"),
        ("N*m", "Nm"),
        ("°C", "C"),
        ("λ", "1"),
        ("1/min", "rpm"),
        ("°", "deg"),
        ("µs", "us"),
    ],
)
def test_the_same_unit_spelt_otherwise_changes_no_bit(first: str, second: str) -> None:
    assert convert(first, second) == (1.0, 0.0)


@pytest.mark.parametrize(
    ("source", "target", "scale"),
    [("degC", "degF", 1.8), ("g/s", "kg/h", 3.6), ("s", "ns", 1e9), ("bar", "kPa", 100.0), ("mph", "km/h", 1.609344)],
)
def test_a_factor_that_is_a_short_decimal_is_exactly_that(source: str, target: str, scale: float) -> None:
    assert convert(source, target)[0] == scale


def test_every_unit_of_the_catalogue_and_every_suggestion_reads_back_from_its_own_text() -> None:
    for text in (*COMMON, *SPELLINGS, *(entry.unit for entry in CATALOGUE.values())):
        unit = read_unit(text)
        assert read_unit(unit_text(unit)) == unit, text


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ("kpa", "unknown unit 'kpa' (did you mean kPa?)"),
        ("rmp", "unknown unit 'rmp' (did you mean rpm?)"),
        ("degs C", "unknown unit 'degs C' (did you mean degC?)"),
        ("furlong", "unknown unit 'furlong'"),
        ("g/s/", "unknown unit 'g/s/' (did you mean g/s?)"),
        ("2*g", "unknown unit '2*g'"),
        ("m" * 200, f"unknown unit {'m' * 200!r}"),
    ],
)
def test_an_unknown_unit_is_said_with_the_nearest_right_one(text: str, problem: str) -> None:
    with pytest.raises(UnitError) as caught:
        read_unit(text)
    assert str(caught.value) == problem


@pytest.mark.parametrize(
    ("source", "target"), [("kPa", "rpm"), ("deg", "1"), ("g/s", "L/h"), ("%", "deg"), ("s", "Hz")]
)
def test_units_of_different_things_do_not_convert(source: str, target: str) -> None:
    with pytest.raises(UnitError) as caught:
        convert(source, target)
    assert str(caught.value) == f"{source} does not convert to {target}"


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("0.5 s", "ns", 5e8),
        ("20 kPa", "psi", 2.900755),
        ("-5 °C", "degF", 23.0),
        ("25%", "1", 0.25),
        (".5 bar", "kPa", 50.0),
        ("1e3 g", "kg", 1.0),
        ("−3 deg", "deg", -3.0),
        (1.06, "1", 1.06),
        (3, "1", 3.0),
    ],
)
def test_a_quantity_is_read_with_its_unit(text: object, unit: str, value: float) -> None:
    assert parse_quantity(text, unit) == pytest.approx(value, rel=1e-6)


@pytest.mark.parametrize(
    ("text", "unit", "problem"),
    [
        (0.3, "s", "0.3 has no unit: expected a number such as 10 s"),
        ("fast", "s", "'fast' is no quantity: expected a number such as 10 s"),
        (True, "1", "True is no quantity: expected a number such as 10"),
        (None, "kPa", "None is no quantity: expected a number such as 10 kPa"),
        ("3 rpm", "s", "rpm does not convert to s"),
        ("1e999 s", "s", "inf s is too large"),
    ],
)
def test_what_is_no_quantity_is_said(text: object, unit: str, problem: str) -> None:
    with pytest.raises(UnitError) as caught:
        parse_quantity(text, unit)
    assert str(caught.value) == problem


def test_a_time_is_whole_nanoseconds() -> None:
    assert parse_duration("0.3 s") == 300_000_000
    assert parse_duration("200 ms") == 200_000_000
    assert parse_duration("1.5 min") == 90_000_000_000
    with pytest.raises(UnitError, match="-1 s is negative: expected a time such as"):
        parse_duration("-1 s")


@pytest.mark.parametrize(
    ("text", "unit", "ends"),
    [
        ("0.2 .. 600 g/s", "g/s", (0.2, 600.0)),
        ("-25 % .. 25 %", "%", (-25.0, 25.0)),
        ("0..1 bar", "kPa", (0.0, 100.0)),
        ("0.75 .. 1", "1", (0.75, 1.0)),
        ("75 % .. 100 %", "1", (0.75, 1.0)),
        ("-40 .. 60 degC", "degC", (-40.0, 60.0)),
    ],
)
def test_a_range_takes_its_unit_from_the_last_end(text: str, unit: str, ends: tuple[float, float]) -> None:
    assert parse_range(text, unit) == pytest.approx(ends)


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ("5 .. 2 kPa", "'5 .. 2 kPa' has its ends the wrong way round"),
        ("5 kPa", "'5 kPa' is no range: expected a range such as 0 .. 10 kPa"),
        (".. 5 kPa", "'.. 5 kPa' has an open end: expected a range such as 0 .. 10 kPa"),
        ("1 .. 2 rpm", "rpm does not convert to kPa"),
        ("1 .. 2", "2 has no unit: expected a number such as 10 kPa"),
    ],
)
def test_what_is_no_range_is_said(text: str, problem: str) -> None:
    with pytest.raises(UnitError) as caught:
        parse_range(text, "kPa")
    assert str(caught.value) == problem


def test_a_step_of_temperature_is_no_point_on_the_scale() -> None:
    assert difference_scale(read_unit("degC"), read_unit("K")) == 1.0
    assert difference_scale(read_unit("degC"), read_unit("degF")) == 1.8
    assert difference_scale(read_unit("K"), read_unit("degC")) == 1.0


@given(st.sampled_from(COMMON), st.sampled_from(COMMON), st.floats(-1e6, 1e6))
def test_there_and_back_is_the_same_value(first: str, second: str, value: float) -> None:
    try:
        there, back = convert(first, second), convert(second, first)
    except UnitError:
        return
    returned = (value * there[0] + there[1]) * back[0] + back[1]
    assert returned == pytest.approx(value, rel=1e-12, abs=1e-9)
