"""What the car knows of itself, beside what the drive shows: fault codes as evidence, and how often it answered.

The events of a run, the causes found and the rates of asked channels come in; sentences come out. A code never decides:
it is said where it was set (from its freeze frame), which causes it speaks for, and whether one of them was measured.
Which code speaks for which cause follows the texts of SAE J2012 and common practice.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from livewatch.data.events import Event, FaultCodesRead, FreezeFrameRead
from livewatch.signature.cause import Cause
from livewatch.wording.events import code_words

__all__ = ["CodeEvidence", "code_evidence", "rate_caveats"]

_LEAN = ("vacuum_leak", "meter_scale", "injector_flow", "fuel_supply", "meter_shape")
_RICH = ("meter_scale", "injector_flow", "pressure_leak", "meter_shape")
_SPEAKS: Mapping[str, tuple[str, ...]] = {
    **dict.fromkeys(("P0171", "P0174", "P2096", "P2098"), _LEAN),
    **dict.fromkeys(("P0172", "P0175", "P2097", "P2099"), _RICH),
    **dict.fromkeys(("P2187", "P2189"), ("vacuum_leak", "injector_dead_time")),
    **dict.fromkeys(("P2188", "P2190"), ("injector_dead_time", "meter_scale")),
    **dict.fromkeys(("P2177", "P2179", "P2191", "P2193"), ("meter_scale", "injector_flow", "fuel_supply")),
    **dict.fromkeys(("P2178", "P2180", "P2192", "P2194"), ("meter_scale", "injector_flow", "pressure_leak")),
    **dict.fromkeys(("P0087", "P008A", "P0230", "P2293"), ("fuel_supply",)),
    **dict.fromkeys(("P0234", "P0243", "P0244", "P0245", "P0246"), ("boost_control", "boost_creep")),
    **dict.fromkeys(("P0045", "P0046", "P0047", "P0048", "P2262", "P2263", "P2562", "P2563"), ("boost_control",)),
    "P0299": ("underboost", "pressure_leak"),
    **dict.fromkeys(("P0068", "P0100", "P0101", "P0102", "P0103", "P0104"), ("meter_scale", "meter_shape")),
    **dict.fromkeys(("P0105", "P0106", "P0107", "P0108", "P0109"), ("pressure_sensor",)),
    **dict.fromkeys((*(f"P013{n}" for n in range(5)), "P2195", "P2196", "P2197", "P2198"), ("lambda_sensor",)),
    **dict.fromkeys(("P2279", "P2282", "P0507"), ("vacuum_leak",)),
}
_AT_IDLE = {"vacuum_leak", "injector_dead_time"}
_UNDER_LOAD = {"fuel_supply", "pressure_leak", "meter_shape"}
IDLE_SPEED, IDLE_LOAD, HIGH_LOAD = 1300.0, 35.0, 70.0
"""rpm and per cent of calculated load, below and above which a freeze frame is of idle or of high load; common
practice."""
SLOW, PULL = 4.0, ("lambda_1", "commanded_lambda", "boost_pressure", "manifold_pressure", "engine_speed")
"""Samples a second below which what happens within a pull is missed, and the channels it is missed of."""


@dataclass(frozen=True, slots=True)
class CodeEvidence:
    """One fault code.

    Attributes:
        code, unit, kinds: which, of which control unit, and whether stored, pending or permanent.
        where: the operating point of its freeze frame in words, empty without one.
        causes: names of the causes it speaks for, as far as the list goes.
        agrees: titles of those among them that the drive established.
    """

    code: str
    unit: str
    kinds: tuple[str, ...]
    where: str
    causes: tuple[str, ...]
    agrees: tuple[str, ...]

    def __str__(self) -> str:
        parts = [f"{code_words(self.code)}, {' and '.join(self.kinds)} in control unit {self.unit}"]
        if self.where:
            parts.append(f"set {self.where}")
        if self.agrees:
            parts.append(f"it agrees with what was measured: {', '.join(self.agrees)}")
        elif self.causes:
            parts.append(f"it would speak for {' or '.join(name.replace('_', ' ') for name in self.causes)}")
        return "; ".join(parts)

    def to_json(self) -> dict[str, Any]:
        """Plain data."""
        return {
            "code": self.code,
            "unit": self.unit,
            "kinds": list(self.kinds),
            "where": self.where,
            "speaks_for": list(self.causes),
            "agrees_with": list(self.agrees),
        }


def code_evidence(events: Sequence[Event], causes: Sequence[Cause]) -> tuple[CodeEvidence, ...]:
    """Every code the control units listed last, in the order they did."""
    listed: dict[tuple[str, str], tuple[str, ...]] = {}
    frozen: dict[tuple[str, str], Mapping[str, float]] = {}
    for event in events:
        if isinstance(event, FaultCodesRead):
            listed[event.subject, event.what] = event.codes
        elif isinstance(event, FreezeFrameRead) and event.code is not None:
            values = {figure.name: float(figure.value) for figure in event.values if figure.value is not None}
            frozen[event.subject, event.code] = values
    kinds: dict[tuple[str, str], list[str]] = {}
    for (unit, what), codes in listed.items():
        for code in codes:
            kinds.setdefault((unit, code), []).append(what)
    established = {cause.name: cause.title for cause in causes if cause.established}
    found = []
    for (unit, code), said in kinds.items():
        point = frozen.get((unit, code), {})
        names = _narrowed(_SPEAKS.get(code, ()), point)
        agrees = tuple(established[name] for name in names if name in established)
        found.append(CodeEvidence(code, unit, tuple(said), _where(point), names, agrees))
    return tuple(found)


def _narrowed(names: tuple[str, ...], values: Mapping[str, float]) -> tuple[str, ...]:
    """The causes that fit where the code was set; all of them where that is not known."""
    place = _place(values)
    if place == "idle":
        kept = tuple(name for name in names if name not in _UNDER_LOAD)
    elif place == "high load":
        kept = tuple(name for name in names if name not in _AT_IDLE)
    else:
        kept = names
    return kept or names


def _place(values: Mapping[str, float]) -> str:
    speed, load = values.get("engine_speed"), values.get("engine_load")
    if load is not None and load > HIGH_LOAD:
        return "high load"
    if speed is not None and speed < IDLE_SPEED and (load is None or load < IDLE_LOAD):
        return "idle"
    return "part load" if speed is not None else ""


def _where(values: Mapping[str, float]) -> str:
    if not values:
        return ""
    said = [
        text.format(values[name])
        for name, text in (
            ("engine_speed", "{:.0f} rpm"),
            ("engine_load", "load {:.0f} %"),
            ("manifold_pressure", "{:.0f} kPa"),
            ("coolant_temperature", "coolant {:.0f} degC"),
            ("short_term_fuel_trim_1", "short term trim {:+.0f} %"),
            ("long_term_fuel_trim_1", "long term trim {:+.0f} %"),
        )
        if name in values
    ]
    return f"at {_place(values) or 'an unknown load'} ({', '.join(said)})"


def rate_caveats(rates: Mapping[str, float]) -> Iterator[str]:
    """What a car that answered slowly leaves open."""
    slow = {name: rate for name, rate in rates.items() if name in PULL and rate < SLOW}
    if slow:
        said = ", ".join(f"{name.replace('_', ' ')} {rate:.1f}" for name, rate in slow.items())
        yield f"What happens within a second of a pull: the car was asked, and answered, in a second: {said} times."
