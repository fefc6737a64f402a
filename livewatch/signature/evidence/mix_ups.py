"""Channels that cannot be true: noticed from the values themselves, and said.

Readings come in, sentences go out: a trim given as a factor or a share, lambda given as an air-fuel ratio, gauge for
absolute pressure, degrees Fahrenheit or Kelvin for Celsius, speed in turns a second, flow in kg/h; a command that is
always 0; and channels that never move although the engine does. Ranges of each channel are kept, and two counts.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from livewatch.data.physics import filled_air
from livewatch.signature.evidence.readings import HISTORY, LOOK_TIME, NO_COMMAND, Readings
from livewatch.signature.evidence.settled import CLOSED_LOOP, PointMaker

__all__ = ["MixUp", "MixUpWatch"]

ENOUGH = 300
"""Looks with the engine running before a judgement."""
MOVES = ("manifold_pressure", "mass_air_flow", "lambda_1", "lambda_2", "short_term_fuel_trim_1",
         "short_term_fuel_trim_2", "boost_pressure", "accelerator_pedal_position", "throttle_position",
         "injector_pulse_width", "oxygen_sensor_voltage_1", "engine_load", "absolute_load")  # fmt: skip
"""Channels that cannot stand still while the engine is driven."""
COLD, WARMING = 60.0, 10
"""degC at which no coolant stands for so many times `ENOUGH` looks with the engine running: it warms; common
practice."""
TAKES_MOST, OFTEN = 2.0, 0.8
"""How many times what fills the cylinders no meter can read, and in which share of the looks; common practice."""
FILLS, TURNS = 60.0, 1500.0
"""kPa in the manifold and rpm from which what fills the cylinders is known well enough for that."""
USUAL_CHARGE = 313.0
"""K in the manifold; common practice."""


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
    maker: what is known of the engine.
    """

    def __init__(self, names: Sequence[str], maker: PointMaker) -> None:
        self._displacement = None if maker.engine is None else maker.displacement
        self._filling = self._too_much = 0
        self._trims = np.array(["fuel_trim" in name for name in names], np.bool_)
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
            values = readings.table[: len(self._low), HISTORY:][:, running]
            self._count_filling(readings)
            if "fuel_system_status" in self._place:
                # A trim stands still while its loop is open.
                still = ~(readings["fuel_system_status"][HISTORY:][running] == CLOSED_LOOP)
                values[np.ix_(self._trims, still)] = np.nan
            self._low = np.fmin(self._low, np.fmin.reduce(values, axis=1))
            self._high = np.fmax(self._high, np.fmax.reduce(values, axis=1))
            self._known += (~np.isnan(values)).sum(axis=1)

    def _count_filling(self, readings: Readings) -> None:
        if self._displacement is None or "mass_air_flow" not in self._place:
            return
        pressure, speed, flow = (
            readings[name][HISTORY:] for name in ("manifold_pressure", "engine_speed", "mass_air_flow")
        )
        with np.errstate(invalid="ignore"):
            known = (pressure > FILLS) & (speed > TURNS) & (flow > 0.0)
            most = TAKES_MOST * filled_air(self._displacement, speed, pressure, np.full(len(speed), USUAL_CHARGE))
            self._filling += int(known.sum())
            self._too_much += int((known & (flow > most)).sum())

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
        elif high < NO_COMMAND:
            yield MixUp(name, f"at most {high:.2f}: nothing burns at such a lambda")

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
        elif name == "coolant_temperature" and low == high < COLD and self._count(name) > WARMING * ENOUGH:
            seconds = self._count(name) * LOOK_TIME / 1e9
            yield MixUp(name, f"stood at {low:g} degC for {seconds:.0f} s with the engine running: not believed")

    def _speed_and_flow(self) -> Iterator[MixUp]:
        found = self._range("engine_speed")
        if found is not None and found[1] < 200.0:
            yield MixUp("engine_speed", f"at most {found[1]:.0f}: looks like turns a second, not rpm")
        if self._filling >= ENOUGH and self._too_much > OFTEN * self._filling:
            what = f"more than {TAKES_MOST:g} times what the cylinders hold, looks like kg/h, not g/s"
            yield MixUp("mass_air_flow", what)

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
