"""Numbers as the reader wants them: units chosen at the edge, digits that do not jump about.

A value in a channel's own unit comes in; text in the reader's unit comes out. The choice (metric in kPa or in bar,
imperial, lambda or air-fuel ratio) changes while the screen runs; nothing inside livewatch knows of it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

__all__ = ["SYSTEMS", "ReaderUnits"]

SYSTEMS: dict[str, dict[str, str]] = {
    "metric": {},
    "metric, bar": {"kPa": "bar"},
    "imperial": {
        "kPa": "psi",
        "degC": "degF",
        "km/h": "mph",
        "g/s": "lb/min",
        "L/h": "gal/h",
        "N*m": "ft*lbf",
        "kW": "hp",
    },
}
"""Name of a choice to the units it replaces; all others stay as they are."""

_SPELT = {"degC": "°C", "degF": "°F", "deg": "°", "1": "", "N*m": "N·m", "ft*lbf": "ft·lbf"}
_DECIMALS = {
    "rpm": 0,
    "kPa": 0,
    "bar": 2,
    "psi": 1,
    "degC": 0,
    "degF": 0,
    "km/h": 0,
    "mph": 0,
    "g/s": 1,
    "lb/min": 1,
    "%": 1,
    "deg": 1,
    "1": 2,
    "V": 1,
    "ms": 2,
    "kW": 0,
    "hp": 0,
    "N*m": 0,
    "ft*lbf": 0,
    "L/h": 1,
    "gal/h": 2,
    "s": 1,
    "krpm": 1,
}
_WHOLE = frozenset({"gear", "fuel_system_status"})
_MIXTURE = frozenset({"lambda_1", "lambda_2", "commanded_lambda"})
"""Channels that can be read as an air-fuel ratio."""


@dataclass(frozen=True, slots=True)
class ReaderUnits:
    """What the reader chose.

    Args:
        system: a key of SYSTEMS.
        air_fuel: show lambda as the air-fuel ratio by mass.
        stoichiometric: air-fuel ratio of lambda 1 for the declared fuel; None when no fuel is declared, and lambda is
            shown whatever `air_fuel` says.
        plain: spell units in ASCII.
    """

    system: str = "metric"
    air_fuel: bool = False
    stoichiometric: float | None = None
    plain: bool = False

    def next_system(self) -> ReaderUnits:
        """The choice after this one."""
        names = list(SYSTEMS)
        return replace(self, system=names[(names.index(self.system) + 1) % len(names)])

    def unit(self, unit: str, channel: str = "") -> str:
        """The reader's unit for a channel's own; as the profile spells units."""
        if self._as_ratio(channel):
            return "AFR"
        return SYSTEMS[self.system].get(unit, unit)

    def spelt(self, unit: str, channel: str = "") -> str:
        """The reader's unit as it stands behind a number; empty for a plain ratio."""
        reader = self.unit(unit, channel)
        if self.plain:
            return "" if reader == "1" else reader
        return _SPELT.get(reader, reader)

    def number(self, value: float, unit: str, channel: str = "") -> float:
        """The value in the reader's unit."""
        if self._as_ratio(channel):
            return value * (self.stoichiometric or math.nan)
        scale, offset = self._factors(unit)
        return value * scale + offset

    def difference(self, value: float, unit: str, channel: str = "") -> float:
        """A difference of two values in the reader's unit: without the zero point of a temperature."""
        return self.number(value, unit, channel) - self.number(0.0, unit, channel)

    def decimals(self, unit: str, channel: str = "") -> int:
        """How many digits stand behind the point: fixed for a unit, so that a figure does not change its width."""
        if channel in _WHOLE:
            return 0
        return 1 if self._as_ratio(channel) else _DECIMALS.get(self.unit(unit), 1)

    def figure(self, value: float, unit: str, channel: str = "") -> str:
        """The number alone, `--` when unknown."""
        if not math.isfinite(value):
            return "--"
        text = f"{self.number(value, unit, channel):.{self.decimals(unit, channel)}f}"
        return text.removeprefix("-") if float(text) == 0 else text

    def text(self, value: float, unit: str, channel: str = "") -> str:
        """The number with its unit, `unknown` when it is."""
        if not math.isfinite(value):
            return "unknown"
        spelt = self.spelt(unit, channel)
        return self.figure(value, unit, channel) + ("" if spelt in ("", "°") else " ") + spelt

    def _as_ratio(self, channel: str) -> bool:
        return self.air_fuel and self.stoichiometric is not None and channel in _MIXTURE

    def _factors(self, unit: str) -> tuple[float, float]:
        wanted = SYSTEMS[self.system].get(unit)
        if wanted is None:
            return 1.0, 0.0
        from livewatch.profile.units import UnitError, convert  # late: half a screen's start, and few want other units

        try:
            return convert(unit, wanted)
        except UnitError:
            return 1.0, 0.0
