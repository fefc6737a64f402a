"""Units: what people write, and the numbers between them.

Text like "g/s", "%", "°C" or "N*m" comes in; `(scale, offset)` pairs and plain numbers in a wanted unit go out.
One pint registry serves the whole of livewatch (`registry`); it is loaded from `units.txt`, where an angle is a
dimension of its own: 10 deg is not a plain number, and a turn is 360 deg. Anything that cannot be read or does not
convert raises `UnitError`, saying what was found and the nearest right name.
"""

from __future__ import annotations

import math
import re
from functools import lru_cache
from pathlib import Path

from livewatch.data.left_out import left_out
from livewatch.errors import LivewatchError, nearest

# Where dask is installed pint imports the whole of it, which takes longer than all that livewatch loads.
with left_out("dask"):
    import pint

__all__ = [
    "UnitError",
    "convert",
    "is_temperature",
    "parse_duration",
    "parse_quantity",
    "parse_range",
    "read_unit",
    "registry",
    "split_quantity",
    "unit_text",
]


class UnitError(LivewatchError, ValueError):
    """A unit or a quantity cannot be read, or does not convert to the wanted unit."""

    exit_code = 3


registry: pint.UnitRegistry = pint.UnitRegistry(
    (Path(__file__).parent / "units.txt").read_text(encoding="utf-8").splitlines()
)
"""The one pint registry of livewatch."""

PLAIN = frozenset({"", "1", "-", "--", "ratio", "lambda", "Lambda", "λ", "none", "None", "dimensionless"})
_SPELT = {
    "degC": ("C", "deg C", "Deg C", "deg_C", "degrees C"),
    "degF": ("F", "deg F"),
    "N*m": ("Nm",),
    "rpm": ("U/min", "RPM", "1/min", "/min", "min-1"),
    "1/s": ("/s",),
    "kPa": ("KPa",),
    "km/h": ("Km/h",),
    "MPa": ("Mpa",),
    "ft*lbf": ("lbft", "lb-ft", "lb*ft", "ft-lb", "ftlb"),
    "deg": ("°", "°KW"),
    "V": ("volts", "Volts"),
}
SPELLINGS = {spelling: unit for unit, spellings in _SPELT.items() for spelling in spellings}
"""How units are spelt in DBC files and by hand, beyond what pint reads."""

_COMMON = (
    "rpm krpm km/h mph % kPa bar psi mbar hPa Pa MPa inHg g/s kg/h lb/min mg mg/stroke L L/h cc/min degC degF K V mV "
    "A mA ms s min h us ns Hz deg deg/s rad N*m ft*lbf kW hp W N lbf kg lb g m mm cm km ohm 1"
)
COMMON = tuple(_COMMON.split())
"""The names suggested for one that cannot be read."""

_NUMBER = re.compile(r"\s*([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*(.*?)\s*\Z", re.DOTALL)
LONGEST = 100
"""Characters of a unit."""
_POWER_OF_NUMBER = re.compile(r"\d[\s)]*(?:\*\*|\^)")
_LARGE_POWER = re.compile(r"(?:\*\*|\^)[\s(]*[+-]?(?!\d{1,2}(?:\.\d{1,3})?(?![\w.]))")
"""Powers of powers, and such as no unit has: to work out m**9**9**9**9 takes longer than anybody lives."""
_POINTS = frozenset({registry.Unit("degC"), registry.Unit("degF")})


@lru_cache(maxsize=4096)
def read_unit(text: str) -> pint.Unit:
    """The unit that `text` names.

    Raises:
        UnitError: it names none.
    """
    spelt = text.strip()
    if spelt in PLAIN:
        return registry.Unit("")
    spelt = SPELLINGS.get(spelt, spelt)
    try:
        if len(spelt) > LONGEST or _POWER_OF_NUMBER.search(spelt) or _LARGE_POWER.search(spelt):
            raise ValueError("no unit is written so, and working it out may take for ever")
        unit = registry.parse_units(spelt)
    except Exception:  # pint raises a dozen kinds, tokenizer errors among them; all mean the same to the reader
        raise UnitError(f"unknown unit {text!r}{_near(spelt)}") from None
    if not isinstance(unit, pint.Unit):
        raise UnitError(f"unknown unit {text!r}{_near(spelt)}")
    return unit


def _near(text: str) -> str:
    same = [name for name in COMMON if name.casefold() == text.casefold()]
    return f" (did you mean {same[0]}?)" if same else nearest(text, COMMON)


def unit_text(unit: pint.Unit) -> str:
    """The shortest usual spelling: "g/s", "%", "°C"; "1" for a plain number. `read_unit` reads it back."""
    return f"{unit:~C}".replace("m*N", "N*m").replace("**", "^") or "1"


def is_temperature(unit: pint.Unit) -> bool:
    """Whether the unit has a zero point of its own (°C, °F): a difference of two of them is another unit, K."""
    return unit in _POINTS


@lru_cache(maxsize=4096)
def convert(from_unit: str, to_unit: str) -> tuple[float, float]:
    """`(scale, offset)` so that value in `to_unit` = value in `from_unit` * scale + offset.

    The same unit gives exactly `(1.0, 0.0)`, however it is spelt. A factor that is a short decimal is exactly that
    (0 degC = 32 degF). A frequency converts to turns and back: 1 Hz = 60 rpm.

    Raises:
        UnitError: either is unknown, or they measure different things.
    """
    return conversion(read_unit(from_unit), read_unit(to_unit), from_unit, to_unit)


def conversion(source: pint.Unit, target: pint.Unit, from_text: str = "", to_text: str = "") -> tuple[float, float]:
    """`convert` for units already read; the texts are how messages spell them."""
    if source == target:
        return 1.0, 0.0
    try:
        if is_temperature(source) or is_temperature(target):
            scale = registry.convert(1.0, _step(source), _step(target))
            return _short(scale), _short(registry.convert(0.0, source, target))
        one = registry.Quantity(1.0, source)
        return _short(float((one * _turns_between(source, target)).m_as(target))), 0.0
    except pint.PintError:
        found, wanted = from_text or unit_text(source), to_text or unit_text(target)
        raise UnitError(f"{found or '1'} does not convert to {wanted or '1'}") from None


def _turns_between(source: pint.Unit, target: pint.Unit) -> pint.Quantity:
    """What to multiply by so that a frequency and turns a second meet; a plain 1 otherwise."""
    ratio = dict((target / source).dimensionality)
    if "[time]" in source.dimensionality and ratio == {"[angle]": 1}:
        return registry.Quantity(1.0, "rev")
    if "[time]" in source.dimensionality and ratio == {"[angle]": -1}:
        return registry.Quantity(1.0, "1/rev")
    return registry.Quantity(1.0, "")


def _short(number: float) -> float:
    """The short decimal a factor is defined by, free of the rounding on the way; other factors as they are."""
    rounded = f"{number:.13g}"
    return float(rounded) if len(rounded) < 13 else number


def parse_quantity(text: object, unit: str) -> float:
    """A number with its unit ("0.5 s", "20 kPa", "25 %"), in `unit`. A plain number has unit "1".

    Raises:
        UnitError: no number, no unit where one is needed, or one that does not convert.
    """
    number, given = _split(text, unit, _example(unit))
    return _in_unit(number, given, unit)


def difference_scale(source: pint.Unit, target: pint.Unit) -> float:
    """The factor alone: between temperatures, that of their differences."""
    return conversion(_step(source), _step(target), unit_text(source), unit_text(target))[0]


def _step(unit: pint.Unit) -> pint.Unit:
    """The unit of a difference: of temperatures, delta_degC or delta_degF."""
    return registry.Unit(f"delta_{unit}") if is_temperature(unit) else unit


def parse_duration(text: object) -> int:
    """A time ("0.5 s", "200 ms") in whole nanoseconds.

    Raises:
        UnitError: not a time, or a negative one.
    """
    number, given = _split(text, "ns", "a time such as 0.5 s")
    nanoseconds = _in_unit(number, given, "ns")
    if nanoseconds < 0:
        raise UnitError(f"{text} is negative: expected a time such as 0.5 s")
    return round(nanoseconds)


def parse_range(text: object, unit: str) -> tuple[float, float]:
    """A range ("0.2 .. 600 g/s", "-25 % .. 25 %") as (low, high) in `unit`; the first unit may be left out.

    Raises:
        UnitError: not two numbers with "..", units that do not convert, or low above high.
    """
    example = f"expected a range such as 0 .. 10{'' if unit == '1' else ' ' + unit}"
    if not isinstance(text, str) or text.count("..") != 1:
        raise UnitError(f"{text!r} is no range: {example}")
    first, last = (part.strip() for part in text.split(".."))
    if not first or not last:
        raise UnitError(f"{text!r} has an open end: {example}")
    high, high_unit = _split(last, unit, _example(unit))
    match = _NUMBER.match(first)
    low, low_unit = (float(match[1]), high_unit) if match and not match[2] else _split(first, unit, _example(unit))
    ends = _in_unit(low, low_unit, unit), _in_unit(high, high_unit, unit)
    if ends[0] > ends[1]:
        raise UnitError(f"{text!r} has its ends the wrong way round")
    return ends


def _in_unit(number: float, given: str, unit: str) -> float:
    scale, offset = convert(given, unit)
    value = number * scale + offset
    if not math.isfinite(value):
        raise UnitError(f"{number} {given} is too large")
    return value


def _example(unit: str) -> str:
    return f"a number such as {'10' if unit == '1' else '10 ' + unit}"


def _split(text: object, unit: str, example: str) -> tuple[float, str]:
    """The number, and a unit where `unit` needs one."""
    number, given = split_quantity(text, f"expected {example}")
    if not given and read_unit(unit) != read_unit("1"):
        raise UnitError(f"{text} has no unit: expected {example}")
    return number, given


def split_quantity(text: object, expected: str = "expected a number with its unit") -> tuple[float, str]:
    """The number and the unit as written, "" where none is.

    Raises:
        UnitError: there is no number; the message ends with `expected`.
    """
    match = None
    if isinstance(text, str | int | float) and not isinstance(text, bool):
        match = _NUMBER.match(str(text).replace("−", "-"))
    if not match:
        raise UnitError(f"{text!r} is no quantity: {expected}")
    return float(match[1]), match[2]
