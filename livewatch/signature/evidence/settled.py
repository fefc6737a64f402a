"""Which looks tell something about the fuel, and what they say: need, air and what else depends on the operating point.

Readings come in; `Points` go out, one for each look after the history in front, with a mask of those that are settled:
warm, fuel on, no fast change of pedal, pressure or speed, the lambda signal caught up with the air. Measured lambda is
set against what was commanded and metered one transport delay before. Only arithmetic that rounds alike everywhere is
used, and every window looks back a fixed number of looks, so that the same data gives the same points in any cutting.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from livewatch.data.physics import (
    ABSOLUTE_ZERO,
    STANDARD_PRESSURE,
    filled_air,
    leak_share,
    residual_share,
    supply_share,
)
from livewatch.profile.fuels import GASOLINE_DENSITY
from livewatch.profile.model import Engine, Profile
from livewatch.signature.evidence.looking_back import highest, lowest, spread
from livewatch.signature.evidence.mixture import COMMANDED_ONE, LEAN_VOLTS, STUCK, USUAL_RICH, Mixture, mixture_of
from livewatch.signature.evidence.readings import HISTORY, NO_COMMAND, PEDAL_TRAVEL, Column, Mask, Readings
from livewatch.signature.evidence.unsteady import ripple, unsteady

__all__ = ["CLOSED_LOOP", "FIELDS", "FILLED", "FULL_PEDAL", "FULL_THROTTLE", "PointMaker", "Points"]

FIELDS: tuple[str, ...] = (
    "need_1", "need_2", "air", "filled", "speed", "pressure", "boost", "outside", "vacuum", "pushed", "fuel", "pulse",
    "charge", "supply", "idle_correction", "ethanol", "share_closed", "relative_noise", "purged", "lambda_commanded",
    "counted", "weather", "at_limit_1", "at_limit_2", "ripple_1", "ripple_2", "open_1",
)  # fmt: skip
"""What is averaged over a visit to an operating region; units in `Points`."""

CLOSED_LOOP = 2.0
"""Fuel system status of SAE J1979."""
STILL = 8
"""Looks without fast change before one counts, of data that comes ten times a second."""
SLOWER: tuple[tuple[float, int], ...] = ((0.15, 16), (0.6, 32))
"""s between samples from which more looks have to be without fast change, and how many: what comes slowly hides a
change for as long as two of its samples are apart."""
AFTER_CUT = 25
"""Looks after a fuel cut until film, sensor and trims have recovered; common practice."""
EXHAUST_DENSITY = 0.42
"""kg/m³ at some 900 K (Heywood 1988, section 4.9)."""
VOLUME_TO_SENSOR = 0.65
"""Litres between valves and lambda sensor for each litre of displacement; common practice, no source."""
SENSOR_LAG = 0.12
"""s, wideband sensor; common practice, no source."""
SWITCHES = 25
"""Looks within which a narrow-band sensor switches both ways while its loop is in balance; common practice."""
SWITCHES_SLOWLY = 120
"""The same where it is heard about once a second, as often as it switches: then it may be caught on the same side
several times in a row."""
RICH_VOLTS = 0.55
"""V of a narrow-band sensor above which it is rich; common practice."""
AT_LIMIT = 0.985
"""Share of its limit from which a trim stands at it."""
FULL_PEDAL, FULL_THROTTLE = 88.0, 80.0
"""Per cent of the travel of a pedal, and of a throttle, from which it is down; common practice."""
FULL_FOR, MOMENT_NEED = 8, 0.10
"""Looks at full load until what is measured belongs to it, and by how much need may change in half a second of it: then
such a moment counts, a little. Common practice."""
LEANEST = 1.5
"""Lambda beyond which no mixture burns: what a sensor shows there is air, and no measure of the fuel. As in the
alarms."""
RICHEST = 0.66
"""Lambda at which wideband sensors end: a mixture is at least that rich; common practice."""
BY_LESS = 0.5
"""How far need is beyond what the leanest command makes it, as a share of how far it usually is beyond trims at their
limit."""
FILLED = 0.9
"""Share of the pressure outside that is in the manifold from which calibrations begin to enrich; common practice."""
WARM = 65.0
"""degC of coolant; common practice."""
WARMER_INTAKE = 5.0
"""K by which the intake's sensor is warmer than the air outside on the road; common practice."""
WARMED, USUAL_CHARGE = 12.0, 40.0
"""K by which air warms up on its way to the manifold, and degC there; common practice."""
USUAL_EFFICIENCY = 0.90
USUAL_DISPLACEMENT = 2.0
DENSITY_STANDARD = 1.184
"""kg/m³, for SAE J1979 absolute load."""


@dataclass(frozen=True, slots=True, eq=False)
class Points:
    """What n looks say.

    Attributes:
        first: index of the first look.
        settled: bool (n,), whether the look counts as evidence on fuel.
        lesser: bool (n,), whether it counts a little: settled but for fuel vapour that is drawn in, or a moment of full
            load that is no settled driving.
        field: float64 (len(FIELDS), n), NaN where unknown. `need_b` plain; `air` and `filled` g/s (metered, or without
            a meter speed-density; and of completely filled cylinders); `speed` rpm; `pressure`, `boost`, `outside` kPa
            absolute in the manifold, before the throttle, outside; `vacuum` and `pushed` hole flows into the manifold
            and out of the charge pipes over that of a choked hole at sea level; `fuel` g/s as commanded; `pulse` ms;
            `charge` mg commanded for each injector and event at 300 kPa; `supply` pressure across the injectors over
            that commanded; `idle_correction` %; `ethanol` %; `share_closed` 0 or 1; `relative_noise` of metered air
            from look to look; `purged` 0, 1 or NaN; `lambda_commanded` plain, NaN where not known;
            `counted` the stoichiometric ratio that the computer counts with, by its own air and fuel; `weather` degC
            outside; `at_limit_b` 1 where need is at least, -1 where it is at most what trims or sensor at their end
            say, a share of it where it is at least what the leanest command makes it; else 0; `ripple_b` how much
            lambda moves from look to look; `open_1` need times what is commanded, where the loop is open under load and
            nothing tells what that is.
    """

    first: int
    settled: Mask
    lesser: Mask
    field: Column


class PointMaker:
    """Makes points of readings for one profile. Keeps nothing between calls.

    Attributes:
        assumed: what had to be assumed because the profile does not say it, as sentences.
    """

    def __init__(self, profile: Profile) -> None:
        there = {channel.name for channel in profile.channels}
        self.engine: Engine | None = profile.engine
        engine = profile.engine
        self.displacement = engine.displacement if engine else USUAL_DISPLACEMENT
        self.cylinders = engine.cylinders if engine else 4
        self.stoichiometric = engine.stoichiometric if engine else 14.6
        self.banks = 2 if {"short_term_fuel_trim_2", "lambda_2"} & there else 1
        self.turbo = engine is None or engine.induction != "naturally_aspirated"
        self.boosted = self.turbo and bool({"boost_pressure", "manifold_pressure"} & there)
        self.metered = "mass_air_flow" in there and (engine is None or engine.air_metering == "mass_air_flow")
        band = engine.volumetric_efficiency if engine else None
        self.efficiency = (band[0] + band[1]) / 2.0 if band else USUAL_EFFICIENCY
        self.efficiency_spread = (band[1] - band[0]) / (band[1] + band[0]) if band else 0.12
        self.there = there
        limits = profile.authority.get("short_term_fuel_trim")
        self._trim_ends = (limits.low, limits.high) if limits else (-np.inf, np.inf)
        idle = profile.authority.get("idle_air_correction")
        self.idle_authority = -idle.low / 100.0 if idle is not None and idle.low < 0.0 else np.inf
        self._full_travel = FULL_PEDAL if "accelerator_pedal_position" in there else FULL_THROTTLE
        self.pedal = "accelerator_pedal_position" if "accelerator_pedal_position" in there else "throttle_position"

    def points(self, readings: Readings) -> Points:
        """What the looks after the history say."""
        # Values that make no sense (a gauge pressure taken for an absolute one) give NaN, which is unknown.
        with np.errstate(invalid="ignore", divide="ignore"):
            return self._points(readings)

    def _points(self, readings: Readings) -> Points:
        speed = readings["engine_speed"]
        outside = self._outside(readings)
        pressure, boost = self._pressures(readings)
        pedal = 100.0 * readings[PEDAL_TRAVEL]
        temperature = self._charge_temperature(readings)
        exhaust = np.maximum(outside, pressure) if self.boosted else outside
        filled = filled_air(self.displacement, speed, pressure, temperature) * residual_share(pressure, exhaust)
        air = self._air(readings, filled, speed)
        back = self._delay(speed, air)
        cut = self._cut(readings, speed, pedal)
        now = np.arange(len(speed))
        then = np.maximum(now - back, 0)
        status = readings["fuel_system_status"]
        closed = self._closed(status, pedal, speed)
        loaded = np.where(np.isnan(pressure), pedal > 50.0, pressure > FILLED * outside) > 0.0
        short = np.fmax(readings["short_term_fuel_trim_1"], readings["short_term_fuel_trim_2"])
        wanted = mixture_of(readings, closed, loaded, "lambda_1" in self.there, short >= AT_LIMIT * self._trim_ends[1])
        target, untold = wanted.target, wanted.untold
        need = [self._need(readings, bank, wanted, closed, then) for bank in (1, 2)]
        blind = not {"lambda_1", "oxygen_sensor_voltage_1"} & self.there  # A mixture other than 1 tells no need then.
        unseen = untold if "lambda_1" in self.there else ~closed | (blind & (np.abs(target - 1.0) >= COMMANDED_ONE))
        need = [np.where(unseen & ~wanted.leaner, np.nan, one) for one in need]
        boost_then, pressure_then, outside_then = boost[then], pressure[then], outside[then]
        supply = self._supply(readings, outside, pressure)
        events = speed / 120.0 * self.cylinders
        trims, behind = self._trims(readings, 1), self._at_limit(readings, then, wanted.leaner)
        mixture = np.where(untold & closed, readings["lambda_1"], target)
        fuel = air / (self.stoichiometric * mixture) * np.where(np.isnan(trims), 1.0, trims)
        fuel = np.where(wanted.opened, self._untold_fuel(readings, air, trims, supply), fuel)
        rail = readings["commanded_fuel_rail_pressure"]
        across = np.where(np.isnan(rail), 300.0, np.maximum(rail - pressure, 50.0))
        charge = fuel / events * 1e3 / np.sqrt(across / 300.0)
        metered = readings["mass_air_flow"]
        interval = highest(readings.interval, 30)
        idle = (pedal < 1.5) & (speed < 1300.0)
        purge = readings["purge_duty"]
        columns = (
            need[0], need[1], air[then], filled[then], speed[then], pressure_then, boost_then, outside_then,
            leak_share(pressure_then, outside_then), -leak_share(boost_then, outside_then), fuel[then],
            readings["injector_pulse_width"][then], charge[then], supply[then],
            np.where(idle, readings["idle_air_correction"], np.nan), readings["ethanol_content"],
            closed.astype(np.float64), unsteady(metered) / metered, np.where(np.isnan(purge), np.nan, purge > 0.5),
            np.where(untold, np.nan, target[then]), self._counted(readings, speed, mixture), self._weather(readings),
            *behind, *(ripple(readings, bank, interval) for bank in (1, 2)),
            np.where(wanted.shown, trims[then] * readings["lambda_1"], np.nan),
        )  # fmt: skip
        settled, lesser = self._settled(readings, speed, pressure, pedal, air, need[0], cut, unseen, behind, interval)
        field = np.array(columns)[:, HISTORY:]
        return Points(readings.first + HISTORY, settled[HISTORY:], lesser[HISTORY:], field)

    def _untold_fuel(self, readings: Readings, air: Column, trims: Column, supply: Column) -> Column:
        """Fuel in g/s with the loop open where no channel tells what is commanded: what the lambda sensor shows to be
        delivered, at the fuel pressure commanded; without a sensor, for a usual mixture."""
        if "lambda_1" not in self.there:
            return air / (self.stoichiometric * USUAL_RICH) * np.where(np.isnan(trims), 1.0, trims)
        measured = readings["lambda_1"]
        delivered = air / (self.stoichiometric * np.where(measured > LEANEST, np.nan, measured))
        return delivered / np.where(np.isnan(supply), 1.0, np.sqrt(supply))

    def _charge_temperature(self, readings: Readings) -> Column:
        """K in the manifold; from the intake's, or the usual one, in a car that has no sensor there."""
        if "charge_air_temperature" in self.there:
            return readings["charge_air_temperature"] - ABSOLUTE_ZERO
        if "intake_air_temperature" in self.there:
            return readings["intake_air_temperature"] + WARMED - ABSOLUTE_ZERO
        return np.full(len(readings), USUAL_CHARGE - ABSOLUTE_ZERO)

    def _outside(self, readings: Readings) -> Column:
        outside = readings["barometric_pressure"]
        unknown = np.nan if "barometric_pressure" in self.there else STANDARD_PRESSURE
        return np.where(np.isnan(outside), unknown, outside)

    def _pressures(self, readings: Readings) -> tuple[Column, Column]:
        """Manifold pressure and pressure before the throttle; the one stands in for the other where that is right."""
        pressure, boost = readings["manifold_pressure"], readings["boost_pressure"]
        if "boost_pressure" not in self.there:
            boost = pressure
        return pressure, boost

    def _air(self, readings: Readings, filled: Column, speed: Column) -> Column:
        """Air that the engine computer counts with, g/s: metered; else from pressure; else from absolute load."""
        if self.metered:
            return readings["mass_air_flow"]
        return np.where(np.isnan(filled), self._load_air(readings, speed), filled * self.efficiency)

    def _load_air(self, readings: Readings, speed: Column) -> Column:
        """Air in g/s from absolute load, by its definition in SAE J1979."""
        return readings["absolute_load"] / 100.0 * self.displacement * speed / 120.0 * DENSITY_STANDARD

    def _delay(self, speed: Column, air: Column) -> NDArray[np.int64]:
        """Looks from the mixture's entering the cylinder to its being measured: one and a half turns, plug flow through
        the exhaust (Guzzella and Onder 2010, section 2.4.4), and the sensor."""
        volume = VOLUME_TO_SENSOR * self.displacement * EXHAUST_DENSITY
        delay = 90.0 / np.maximum(speed, 300.0) + volume / np.maximum(air, 0.3) + SENSOR_LAG
        delay = np.where(np.isnan(delay), 0.3, np.minimum(delay, 1.5))
        looks: NDArray[np.int64] = np.floor(delay * 10.0 + 0.5).astype(np.int64)
        return looks

    def _cut(self, readings: Readings, speed: Column, pedal: Column) -> Column:
        """1 where the fuel is cut, or something reads as if it were."""
        pulse = readings["injector_pulse_width"]
        cut = pulse <= 0.01
        # Where the injectors are seen to work, such a lambda is a lean mixture.
        cut |= ((readings["lambda_1"] > 1.35) | (readings["lambda_2"] > 1.35)) & np.isnan(pulse)
        cut |= (readings["fuel_system_status"] == 4.0) & (pedal < 3.0)
        cut |= speed < 400.0
        if not {"lambda_1", "oxygen_sensor_voltage_1", "injector_pulse_width"} & self.there:
            cut |= (pedal < 1.5) & (speed > 1300.0)  # Nothing would show that it is cut then.
        return cut.astype(np.float64)

    def _closed(self, status: Column, pedal: Column, speed: Column) -> Mask:
        """Whether the loop is closed. Without a status it is taken to be at part load, where computers close it."""
        closed: Mask = (pedal < 50.0) & (speed > 400.0)
        return status == CLOSED_LOOP if "fuel_system_status" in self.there else closed

    def _trims(self, readings: Readings, bank: int) -> Column:
        short, long = readings[f"short_term_fuel_trim_{bank}"], readings[f"long_term_fuel_trim_{bank}"]
        if f"long_term_fuel_trim_{bank}" not in self.there:
            long = np.zeros_like(long)
        return (1.0 + short / 100.0) * (1.0 + long / 100.0)

    def _counted(self, readings: Readings, speed: Column, target: Column) -> Column:
        """Air over what fuel would be commanded for it without trims and at lambda 1: the computer's own figures."""
        air = readings["mass_air_flow"] if self.metered else self._load_air(readings, speed)
        trims = self._trims(readings, 1)
        if self.banks == 2:
            trims = (trims + self._trims(readings, 2)) / 2.0
        fuel = readings["fuel_rate"] * (GASOLINE_DENSITY * 1e3 / 3600.0)
        return np.where(fuel > 0.05, air * trims / (np.maximum(fuel, 0.05) * target), np.nan)

    def _weather(self, readings: Readings) -> Column:
        """degC outside; from the intake's in a car that does not show it; NaN where neither is known."""
        if "ambient_air_temperature" in self.there:
            return readings["ambient_air_temperature"]
        return readings["intake_air_temperature"] - WARMER_INTAKE

    def _need(self, readings: Readings, bank: int, wanted: Mixture, closed: Mask, then: NDArray[np.int64]) -> Column:
        """need = (1 + short) (1 + long) measured / commanded. Without a wideband sensor the loop has to be closed, and
        then lambda is 1, where a narrow-band sensor switches, even if something else is commanded near full load; or it
        says that it is more. Where neither is seen, the loop may hold what is commanded: need is known at 1 alone. What
        a wideband loop is seen to hold is what is commanded."""
        trims, target = self._trims(readings, bank)[then], wanted.target[then]
        if f"lambda_{bank}" not in self.there:
            known = closed | wanted.leaner
            if f"oxygen_sensor_voltage_{bank}" not in self.there:
                known = closed & (np.abs(target - 1.0) < COMMANDED_ONE)
            return np.where(known, trims / target, np.nan)
        measured = readings[f"lambda_{bank}"]
        return trims * np.where(wanted.held, 1.0, np.where(measured > LEANEST, np.nan, measured) / target)

    def _at_limit(self, readings: Readings, then: NDArray[np.int64], leaner: Mask) -> list[Column]:
        """Where need of each bank is beyond what is seen of it: 1 where it is more, less far in `leaner` looks;
        -1 where it is less. A wideband sensor is at its rich end; without one, the trims are at their limit, and a
        narrow-band one stays on that side."""
        found = []
        for bank in (1, 2):
            short, volts = readings[f"short_term_fuel_trim_{bank}"][then], readings[f"oxygen_sensor_voltage_{bank}"]
            more, less = (short >= AT_LIMIT * self._trim_ends[1]), (short <= AT_LIMIT * self._trim_ends[0])
            if f"lambda_{bank}" in self.there:
                more, less = np.zeros(len(short), np.bool_), readings[f"lambda_{bank}"] <= RICHEST
            elif f"oxygen_sensor_voltage_{bank}" in self.there:
                more, less = more & (highest(volts, STUCK) < LEAN_VOLTS), less & (lowest(volts, STUCK) > RICH_VOLTS)
            beyond: Column = np.where(leaner, BY_LESS, more.astype(np.float64)) - less
            found.append(beyond)
        return found

    def _supply(self, readings: Readings, outside: Column, pressure: Column) -> Column:
        rail = readings["fuel_rail_pressure"]
        rail = np.where(np.isnan(rail), readings["fuel_rail_gauge_pressure"] + outside, rail)
        commanded = readings["commanded_fuel_rail_pressure"]
        return np.minimum(np.maximum(supply_share(rail, commanded, pressure), 0.05), 2.0)

    def _settled(
        self,
        readings: Readings,
        speed: Column,
        pressure: Column,
        pedal: Column,
        air: Column,
        need: Column,
        cut: Column,
        unseen: Mask,
        behind: Sequence[Column],
        interval: Column,
    ) -> tuple[Mask, Mask]:
        """Which looks are settled, and which count a little. `unseen` are those that tell nothing of need, but still of
        air and fuel pressure; `behind` where the trims of a bank can do no more; `interval` s between samples."""
        coolant = readings["coolant_temperature"]
        good = (unseen | ~np.isnan(need)) & ~np.isnan(speed) & (air > 0.3)
        good &= np.isnan(coolant) | (coolant > WARM)
        load = pressure if "manifold_pressure" in self.there else air
        if "lambda_1" not in self.there and "oxygen_sensor_voltage_1" in self.there:
            # A narrow-band sensor that does not switch says that the trim has not got there yet.
            # Both ways: once only is a loop on its way, with a trim that stood at its limit until now.
            volts = readings["oxygen_sensor_voltage_1"]
            rose = (volts > RICH_VOLTS) & (lowest(volts, SWITCHES // 2) < LEAN_VOLTS)
            fell = (volts < LEAN_VOLTS) & (highest(volts, SWITCHES // 2) > RICH_VOLTS)
            told = readings["commanded_lambda"]
            enriched = (told > NO_COMMAND) & (told < 1.0 - COMMANDED_ONE)
            switched = np.array([rose, fell, enriched], np.float64)
            both = (highest(switched[:2], SWITCHES) > 0.0).all(axis=0)
            slow = interval > SLOWER[1][0]
            if slow.any():
                # Another command moves the trim, and so long a window does not show when it has got there.
                rose, fell, enriched = highest(switched, SWITCHES_SLOWLY) > 0.0
                both |= slow & rose & fell & ~enriched
            # At its limit it tells a bound, for as long as the sensor has stayed on that side.
            good &= unseen | both | (behind[0] != 0.0)
        if "lambda_1" not in self.there:
            # Need is what the trims say, and they take their time.
            good &= unseen | (spread([need], SWITCHES)[1][0] < 0.07)
            # What they say has to be the need of this load, and not of the one before.
            held = (behind[0] != 0.0) & ("oxygen_sensor_voltage_1" in self.there)
            good &= unseen | held | self._still(speed, pedal, load, SWITCHES)
        purge = readings["purge_duty"]
        purging = np.where(np.isnan(purge), 0.0, (purge > 0.5).astype(np.float64))
        burned, pure = highest(np.array([cut, purging]), AFTER_CUT) == 0.0
        good &= burned
        between, full = spread([need], 6)[1][0], self._full(readings)
        moment = good & (unseen | (between < MOMENT_NEED)) & (lowest(full, FULL_FOR) > 0.0)
        good &= unseen | (between < 0.06)
        good &= self._still(speed, pedal, load, STILL)
        for apart, looks in SLOWER:
            slow = interval > apart
            if slow.any():
                good &= ~slow | self._still(speed, pedal, load, looks)
                moment &= ~slow | (lowest(full, looks) > 0.0)
        settled = good & pure
        return settled, (good | moment) & ~settled

    def _full(self, readings: Readings) -> Column:
        """1 at full load, where the pedal (or throttle) is down."""
        return (100.0 * readings[PEDAL_TRAVEL] > self._full_travel).astype(np.float64)

    def _still(self, speed: Column, pedal: Column, load: Column, looks: int) -> Mask:
        high, between = spread([load, speed, pedal], looks)
        still: Mask = (between[0] < 0.08 * high[0] + 1.5) & (between[1] < 0.25 * high[1])
        if self.pedal in self.there:
            still &= between[2] < 8.0
        return still
