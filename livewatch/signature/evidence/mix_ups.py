"""Units mixed up: noticed from the values themselves, and said.

Readings come in, sentences go out: a trim given as a factor or a share, lambda given as an air-fuel ratio, gauge for
absolute pressure, degrees Fahrenheit or Kelvin for Celsius, speed in turns a second, flow in kg/h; and channels that
never move although the engine does. Ranges of each channel are kept, nothing else.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from livewatch.signature.evidence.readings import HISTORY, LOOK_TIME, Readings

__all__ = ["MixUp", "MixUpWatch"]

ENOUGH = 300
"""Looks with the engine running before a judgement."""
MOVES = ("manifold_pressure", "mass_air_flow", "lambda_1", "lambda_2", "short_term_fuel_trim_1",
         "short_term_fuel_trim_2", "boost_pressure", "accelerator_pedal_position", "throttle_position",
         "injector_pulse_width", "oxygen_sensor_voltage_1")  # fmt: skip
"""Channels that cannot stand still while the engine is driven."""


@dataclass(frozen=True, slots=True)
class MixUp:
    """One channel whose values do not make sense in its unit."""

    channel: str
    problem: str

    def to_json(self) -> dict[str, Any]:
        """Plain data."""
        return {"channel": self.channel, "problem": self.problem}


class MixUpWatch:
    """Keeps the range of every channel while the engine runs.

    Args:
        names: the channels, in the order of `Readings.table`.
    """

    def __init__(self, names: Sequence[str]) -> None:
        self._place = {name: row for row, name in enumerate(names)}
        self._low = np.full(len(names), np.nan)
        self._high = np.full(len(names), np.nan)
        self._known = np.zeros(len(names), np.int64)
        self._barometer = float("nan")

    def observe(self, readings: Readings) -> None:
        """Add the looks after the history."""
        outside = readings["barometric_pressure"][HISTORY:]
        known = outside[~np.isnan(outside)]
        if len(known):
            self._barometer = float(known[-1])
        with np.errstate(invalid="ignore"):
            running = readings["engine_speed"][HISTORY:] > 5.0
        if running.any():
            values = readings.table[:, HISTORY:][:, running]
            self._low = np.fmin(self._low, np.fmin.reduce(values, axis=1))
            self._high = np.fmax(self._high, np.fmax.reduce(values, axis=1))
            self._known += (~np.isnan(values)).sum(axis=1)

    def found(self) -> list[MixUp]:
        """Everything noticed so far."""
        return list(self._found())

    def _range(self, name: str) -> tuple[float, float] | None:
        if self._count(name) < ENOUGH:
            return None
        place = self._place[name]
        return float(self._low[place]), float(self._high[place])

    def _count(self, name: str) -> int:
        return int(self._known[self._place[name]]) if name in self._place else 0

    def _found(self) -> Iterator[MixUp]:
        for bank in (1, 2):
            for trim, moves in (("short_term_fuel_trim", True), ("long_term_fuel_trim", False)):
                yield from self._trim(f"{trim}_{bank}", moves)
            yield from self._lambda(f"lambda_{bank}")
        yield from self._lambda("commanded_lambda")
        yield from self._pressures()
        for name in ("coolant_temperature", "intake_air_temperature", "charge_air_temperature"):
            yield from self._temperature(name)
        yield from self._speed_and_flow()
        yield from self._still()

    def _trim(self, name: str, moves: bool) -> Iterator[MixUp]:
        found = self._range(name)
        if found is None:
            return
        low, high = found
        if low > 0.6 and high < 1.5:
            yield MixUp(name, f"{low:.2f} to {high:.2f}: looks like a factor around 1, not per cent")
        elif moves and high - low > 0.0 and low > -0.5 and high < 0.5 and self._count(name) > 3 * ENOUGH:
            yield MixUp(name, f"{low:.2f} to {high:.2f}: looks like a share (0.05 for 5 %), not per cent")
        elif low > 60.0 and high < 150.0:
            yield MixUp(name, f"{low:.0f} to {high:.0f}: looks like per cent of the base fuel (100 is no correction)")

    def _lambda(self, name: str) -> Iterator[MixUp]:
        found = self._range(name)
        if found is None:
            return
        low, high = found
        if low > 5.0 and high < 40.0:
            yield MixUp(name, f"{low:.1f} to {high:.1f}: looks like an air-fuel ratio, not lambda")

    def _pressures(self) -> Iterator[MixUp]:
        found = self._range("manifold_pressure")
        if found is not None:
            low, high = found
            if high < 4.0:
                yield MixUp("manifold_pressure", f"at most {high:.2f}: looks like bar, not kPa")
            elif low < 3.0:
                yield MixUp(
                    "manifold_pressure",
                    f"down to {low:.1f} kPa: looks like pressure above or below the air outside, not absolute",
                )
        found = self._range("boost_pressure")
        barometer = self._barometer
        if found is not None and barometer == barometer and found[0] < 0.5 * barometer:
            yield MixUp(
                "boost_pressure",
                f"down to {found[0]:.1f} kPa with {barometer:.0f} kPa outside: looks like gauge pressure, not absolute",
            )

    def _temperature(self, name: str) -> Iterator[MixUp]:
        found = self._range(name)
        if found is None:
            return
        low, high = found
        if low > 230.0:
            yield MixUp(name, f"{low:.0f} to {high:.0f}: looks like K, not degC")
        elif name == "coolant_temperature" and high > 150.0:
            yield MixUp(name, f"up to {high:.0f}: looks like degF, not degC")

    def _speed_and_flow(self) -> Iterator[MixUp]:
        found = self._range("engine_speed")
        if found is not None and found[1] < 200.0:
            yield MixUp("engine_speed", f"at most {found[1]:.0f}: looks like turns a second, not rpm")

    def _still(self) -> Iterator[MixUp]:
        speed = self._range("engine_speed")
        if speed is None or speed[1] - speed[0] < 1200.0:
            return
        for name in MOVES:
            found = self._range(name)
            if found is not None and found[0] == found[1] and self._count(name) > 2 * ENOUGH:
                seconds = self._count(name) * LOOK_TIME / 1e9
                yield MixUp(
                    name, f"stood at {found[0]:g} for {seconds:.0f} s while the engine speed changed: not believed"
                )
