"""Pulls: full-pedal runs through the speed range, found as they end, with their peak figures.

Readings come in; finished `Pull`s go out, each with what was reached and, on an engine with boost control, how boost
followed its command. A pull begins when the pedal is down and the engine above 1300 rpm, and ends when the foot comes
up or after a minute. Nothing shorter than 1.5 s, or over less than 400 rpm, counts.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import isnan, nan
from typing import Any

import numpy as np

from livewatch.data.event_json import plain
from livewatch.data.events import Peak, PullEnded
from livewatch.signature.evidence.boost_alone import Alone, alone_of
from livewatch.signature.evidence.boost_response import Response, response_of
from livewatch.signature.evidence.readings import COMMANDED, LOOK_TIME, NO_COMMAND, PEDAL_TRAVEL, Column, Mask, Readings
from livewatch.signature.evidence.settled import FULL_PEDAL, FULL_THROTTLE

__all__ = ["MOST_PULLS", "Pull", "PullFinder", "pull_event"]

PEDAL_UP, THROTTLE_UP = 75.0, 70.0
"""Per cent of the travel of a pedal, and of a throttle, below which the foot has come up; common practice."""
SLOWEST, SHORTEST, LONGEST, RISE = 1300.0, 15, 600, 400.0
"""rpm; looks; looks; rpm."""
MOST_PULLS = 60
"""Pulls kept in full; later ones replace the oldest."""

_COLUMNS = (
    "engine_speed", "boost_pressure", "manifold_pressure", "commanded_boost_pressure", "barometric_pressure",
    "wastegate_duty", "mass_air_flow", "lambda_1", "lambda_2", "commanded_lambda", "knock_retard", "fuel_rail_pressure",
    "commanded_fuel_rail_pressure", "injector_duty", "exhaust_gas_temperature", "charge_air_temperature", "power",
    "injector_pulse_width", "fuel_rail_gauge_pressure", "turbocharger_speed",
)  # fmt: skip
_PEAKS: tuple[tuple[str, str, str, bool], ...] = (
    ("boost_pressure", "kPa", "highest pressure before the throttle", True),
    ("manifold_pressure", "kPa", "highest manifold pressure", True),
    ("mass_air_flow", "g/s", "highest air flow", True),
    ("lambda_ratio", "1", "leanest against command", True),
    ("knock_retard", "deg", "most ignition taken back for knock", True),
    ("rail_share", "1", "lowest fuel pressure against command", False),
    ("injector_duty", "%", "highest injector duty", True),
    ("exhaust_gas_temperature", "degC", "hottest exhaust gas", True),
    ("charge_air_temperature", "degC", "hottest charge air", True),
    ("power", "kW", "highest power", True),
)


@dataclass(frozen=True, slots=True)
class Pull:
    """One finished pull.

    Attributes:
        number: from 1.
        start, stop: data time, ns.
        from_speed, to_speed: rpm.
        peaks: (what, value, unit, meaning) of everything known.
        response: how boost followed its command; None without commanded boost, or when none was asked for.
        fuel_cut: whether the fuel was cut during it.
        alone: what it shows of boost without a command; None where there is one.
    """

    number: int
    start: int
    stop: int
    from_speed: float
    to_speed: float
    peaks: tuple[tuple[str, float, str, str], ...]
    response: Response | None
    fuel_cut: bool
    alone: Alone | None = None

    def to_json(self) -> dict[str, Any]:
        """As in its event."""
        record: dict[str, Any] = plain(pull_event(self, self.stop, 0))
        return record


def pull_event(pull: Pull, time: int, utc: int) -> PullEnded:
    """The event that says a pull is over; times in s."""
    return PullEnded(
        time,
        utc,
        f"pull {pull.number}",
        pull.number,
        round(pull.start / 1e9, 3),
        round(pull.stop / 1e9, 3),
        round(pull.from_speed),
        None if isnan(pull.to_speed) else round(pull.to_speed),
        pull.fuel_cut,
        tuple(Peak(name, float(f"{value:.5g}"), unit, meaning) for name, value, unit, meaning in pull.peaks),
        None if pull.response is None else pull.response.figures(),
    )


class PullFinder:
    """Finds pulls. Keeps the looks of the pull that goes on, at most a minute of them."""

    def __init__(self, boosted: bool, pedal: str = "accelerator_pedal_position") -> None:
        self._boosted = boosted
        self._pedal = pedal
        self._pieces: list[Column] = []
        self._looks = self._start = 0
        self.count = 0

    def follow(self, boosted: bool, pedal: str) -> None:
        """Go on by another pedal, or without boost: a channel turned out not to be true."""
        self._boosted, self._pedal = boosted, pedal

    def observe(self, readings: Readings) -> Iterator[tuple[Pull, int]]:
        """The pulls that end in these readings, each with the index of the look at which it ended."""
        pedal = 100.0 * readings[PEDAL_TRAVEL]
        is_throttle = self._pedal == "throttle_position"
        down, up = (FULL_THROTTLE, THROTTLE_UP) if is_throttle else (FULL_PEDAL, PEDAL_UP)
        speed = readings["engine_speed"]
        with np.errstate(invalid="ignore"):
            begins = (pedal > down) & (speed > SLOWEST)
            goes_on = (pedal > up) & (speed > SLOWEST - 200.0)
        look, looks = 0, len(readings)
        while look < looks:
            if not self._looks:
                look += int(begins[look:].argmax())
                if not begins[look]:
                    return
                self._start = readings.first + look
            room = min(looks, look + LONGEST - self._looks)
            ends = goes_on[look:room].argmin() if not goes_on[look:room].all() else room - look
            stop = look + int(ends)
            if stop > look:
                self._pieces.append(np.array([readings[name][look:stop] for name in _COLUMNS]))
                self._looks += stop - look
            if self._looks >= LONGEST:
                yield from self._end(readings.first + stop - 1)
            elif stop < looks:
                yield from self._end(readings.first + stop)
            look = stop

    def finish(self, look: int) -> Iterator[tuple[Pull, int]]:
        """The drive is over at `look`."""
        if self._looks:
            yield from self._end(look)

    def _end(self, look: int) -> Iterator[tuple[Pull, int]]:
        column = dict(zip(_COLUMNS, np.concatenate(self._pieces, axis=1), strict=True))
        looks = self._looks
        self._pieces, self._looks = [], 0
        speed = column["engine_speed"]
        rise = float(np.nanmax(speed) - np.nanmin(speed))
        if looks < SHORTEST or rise < RISE:
            return
        self.count += 1
        column["lambda_ratio"], column["rail_share"] = _ratios(column)
        cut = column["injector_pulse_width"] <= 0.01
        if np.isnan(column["injector_pulse_width"]).all():
            cut = np.fmax(column["lambda_1"], column["lambda_2"]) > 1.5
        peaks = []
        for name, unit, meaning, most in _PEAKS:
            # Lambda means nothing while no fuel is burned.
            values = column[name][3:]
            if name == "lambda_ratio":
                values = values[~_near(cut)[3:]]
            known = values[~np.isnan(values)]
            if len(known):
                peaks.append((name, float(known.max() if most else known.min()), unit, meaning))
        response = response_of(column) if self._boosted else None
        yield (
            Pull(
                self.count,
                self._start * LOOK_TIME,
                (self._start + looks - 1) * LOOK_TIME,
                float(speed[0]),
                float(speed[-1]) if not isnan(speed[-1]) else nan,
                tuple(peaks),
                response,
                bool(cut.any()),
                alone_of(column, cut) if self._boosted and np.isnan(column[COMMANDED]).all() else None,
            ),
            look,
        )


def _ratios(column: dict[str, Column]) -> tuple[Column, Column]:
    """Measured over commanded lambda of the leaner bank, commanded 0.3 s before; rail pressure over commanded."""
    commanded = column["commanded_lambda"]
    before = np.concatenate((commanded[:1].repeat(3), commanded))[: len(commanded)]
    rail = column["fuel_rail_pressure"]
    rail = np.where(np.isnan(rail), column["fuel_rail_gauge_pressure"] + column["barometric_pressure"], rail)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.fmax(column["lambda_1"], column["lambda_2"]) / np.where(before > NO_COMMAND, before, np.nan)
        return ratio, rail / column["commanded_fuel_rail_pressure"]


def _near(cut: Mask) -> Mask:
    """Where the fuel is cut, or was within the last second."""
    near = cut.copy()
    for back in range(1, min(11, len(cut))):
        near[back:] |= cut[:-back]
    return near
