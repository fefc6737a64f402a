"""What the entries of a profile are made of: names, quantities with units, times, and the rules each has to keep.

Values as YAML has them come in; checked ones come out, or a ValueError that says what was expected.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from itertools import pairwise
from typing import Annotated, Literal

from pydantic import AfterValidator, BeforeValidator, ConfigDict, Field

from livewatch.data.frames import LARGEST_EXTENDED
from livewatch.profile.formula.syntax import FUNCTIONS, WORDS
from livewatch.profile.fuels import stoichiometric_ratio
from livewatch.profile.units import UnitError, parse_duration, parse_quantity, parse_range, read_unit

__all__ = [
    "ENTRY",
    "BusName",
    "Curve",
    "Duration",
    "Every",
    "Fuel",
    "Identifier",
    "LeadUp",
    "Litres",
    "Name",
    "Number",
    "Order",
    "Pressure",
    "Ratio",
    "Shares",
    "SignalName",
    "Text",
    "Tick",
    "Travel",
    "UnitText",
    "bus_name",
    "duration_within",
    "raw_range",
    "text_is",
]

MILLISECOND, SECOND, MINUTE = 1_000_000, 1_000_000_000, 60_000_000_000
"""Nanoseconds."""
_NAME = re.compile(r"[A-Za-z_][A-Za-z0-9_]*\Z")
_SIGNAL_NAME = re.compile(r"[^\s.]+\Z")
_BUS = re.compile(r"[A-Za-z0-9_-]+\Z")


def _text(value: object) -> object:
    """A number where text is meant: `unit: 1`, `deadband: 0.02`."""
    return repr(value) if isinstance(value, int | float) and not isinstance(value, bool) else value


def _name(value: str) -> str:
    if not _NAME.match(value):
        raise ValueError(f"{value!r} is no name: use letters, digits and _, no digit first")
    if value in FUNCTIONS or value in WORDS:
        raise ValueError(f"{value!r} is a word of the formula language: choose another name")
    return value


def _signal_name(value: str) -> str:
    if not _SIGNAL_NAME.match(value):
        raise ValueError(f"{value!r} is no signal name: no spaces or dots")
    return value


def bus_name(value: str) -> str:
    """`value` as the name of a bus.

    Raises:
        ValueError: it is none.
    """
    if not _BUS.match(value):
        raise ValueError(f"{value!r} is no bus name: use letters, digits, _ and -")
    return value


def _as_read_by(read: Callable[[str], object]) -> AfterValidator:
    """A text that `read` takes, kept as it is."""

    def check(value: str) -> str:
        read(value)
        return value

    return AfterValidator(check)


def duration_within(problem: str, least: int, most: float = math.inf) -> BeforeValidator:
    """Reads a time in whole nanoseconds within `least` .. `most`; `problem` says what is wrong with a `{}` beyond."""

    def read(value: object) -> int:
        duration = parse_duration(value)
        if not least <= duration <= most:
            raise UnitError(problem.format(value))
        return duration

    return BeforeValidator(read)


def text_is(key: str) -> BeforeValidator:
    """A plain text in place of an entry stands for that key of it."""
    return BeforeValidator(lambda value: {key: value} if isinstance(value, str) else value)


def raw_range(value: object) -> object:
    return (value, value) if type(value) is int else value


def _curve(value: list[tuple[float, float]]) -> list[tuple[float, float]]:
    if len(value) < 2 or any(later[0] <= earlier[0] for earlier, later in pairwise(value)):
        raise ValueError("a curve needs two or more [input, output] points with ascending inputs")
    return value


Name = Annotated[str, AfterValidator(_name)]
SignalName = Annotated[str, AfterValidator(_signal_name)]
BusName = Annotated[str, AfterValidator(bus_name)]
Text = Annotated[str, BeforeValidator(_text)]
UnitText = Annotated[str, BeforeValidator(_text), _as_read_by(read_unit)]
Duration = Annotated[int, BeforeValidator(parse_duration)]
Every = Annotated[int, duration_within("{} is too often to ask: expected 10 ms or more", 10 * MILLISECOND)]
Tick = Annotated[int, duration_within("a tick of {} makes no sense: expected 1 ms to 1 s", MILLISECOND, SECOND)]
LeadUp = Annotated[int, duration_within("{} before every alarm is too much to keep: expected at most 60 s", 0, MINUTE)]
Curve = Annotated[list[tuple[float, float]], AfterValidator(_curve)]
Identifier = Annotated[int, Field(ge=0, le=LARGEST_EXTENDED)]
Number = Annotated[float, Field(allow_inf_nan=False)]
Litres = Annotated[float, BeforeValidator(lambda value: parse_quantity(value, "L")), Field(gt=0.05, lt=30)]
Pressure = Annotated[float, BeforeValidator(lambda value: parse_quantity(value, "kPa"))]
Ratio = Annotated[float, BeforeValidator(lambda value: parse_quantity(value, "1")), Field(gt=3, lt=40)]
Shares = Annotated[tuple[float, float], BeforeValidator(lambda value: parse_range(value, "1"))]
Fuel = Annotated[str, _as_read_by(stoichiometric_ratio)]
LEAST_TRAVEL = 20.0
"""Per cent: no pedal or throttle has less of a way; common practice."""


def _long_enough(travel: tuple[float, float]) -> tuple[float, float]:
    rest, end = travel
    if not 0.0 <= rest <= end - LEAST_TRAVEL or end > 100.0:
        raise ValueError(f"found {rest:g} to {end:g} %, expected rest and end, {LEAST_TRAVEL:g} % apart or more")
    return travel


Travel = Annotated[
    tuple[float, float], BeforeValidator(lambda value: parse_range(value, "%")), AfterValidator(_long_enough)
]
Order = Literal["little_endian", "big_endian"]
ENTRY = ConfigDict(extra="forbid", frozen=True, populate_by_name=True)
"""Of every entry: unknown keys are mistakes, and nothing changes after loading."""
