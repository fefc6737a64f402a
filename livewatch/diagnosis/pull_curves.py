"""Full-pedal pulls as curves over engine speed, so that several lie on one another, and how well they repeat.

The channels of a drive and its pulls come in; `PullCurve`s go out, each with its quantities at common engine speeds,
and for a dyno torque and power with the factors of the standards; `Repeatability` says how far pulls lie apart.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from math import isnan
from typing import Any

import numpy as np
from numpy.typing import NDArray

from livewatch.diagnosis.channel_table import ChannelTable
from livewatch.diagnosis.power_correction import Correction, corrections
from livewatch.signature.evidence.pulls import Pull

__all__ = ["CURVES", "NEEDED", "REPEATED", "Column", "PullCurve", "Repeatability", "pull_curves", "repeatability"]

Column = NDArray[np.float64]
STEP = 100.0
"""rpm between the speeds of a curve."""
CURVES: Mapping[str, tuple[str, str]] = {
    "boost": ("pressure before the throttle", "kPa absolute"),
    "commanded": ("commanded boost", "kPa absolute"),
    "lambda_ratio": ("lambda over its command", "1"),
    "air": ("metered air flow", "g/s"),
    "knock": ("ignition taken back", "deg"),
    "rail": ("rail pressure over command", "1"),
    "torque": ("torque", "N*m"),
    "power": ("power", "kW"),
}
"""Name of a quantity to what it is and its unit."""
REPEATED = ("boost", "lambda_ratio", "air", "torque", "power")
"""Those that repeat from pull to pull on a car and in air that do."""
NEEDED = (
    "engine_speed", "boost_pressure", "manifold_pressure", "commanded_boost_pressure", "lambda_1", "lambda_2",
    "commanded_lambda", "mass_air_flow", "knock_retard", "fuel_rail_pressure", "fuel_rail_gauge_pressure",
    "barometric_pressure", "commanded_fuel_rail_pressure", "torque", "power", "cell_air_temperature",
    "cell_air_pressure", "cell_relative_humidity", "ambient_air_temperature", "intake_air_temperature",
)  # fmt: skip
"""Channels that curves are made from; those that are not there leave their curves out."""
USUAL_HUMIDITY = 50.0
LATE_LAMBDA = 3
"""Rows by which lambda comes after its command."""
WITHIN = 2.8
"""Times the standard deviation: two results differ by less with a probability of 95 % (ISO 5725-1:1994, from
memory)."""


@dataclass(frozen=True, slots=True, eq=False)
class PullCurve:
    """One pull over engine speed.

    Attributes:
        number, start, stop: of the pull; data time in s.
        speed: float64 (n,), rpm, multiples of 100.
        value: by name of `CURVES`, float64 (n,), NaN where unknown.
        air: pressure kPa, temperature degC and relative humidity % of the air around; NaN unknown.
        air_from: in words, where they come from; empty where pressure or temperature is unknown.
        corrections: by each standard; empty without torque or weather.
    """

    number: int
    start: float
    stop: float
    speed: Column
    value: Mapping[str, Column]
    air: tuple[float, float, float]
    air_from: str
    corrections: tuple[Correction, ...]

    def has(self, name: str) -> bool:
        """Whether a quantity is known somewhere."""
        return not bool(np.isnan(self.value[name]).all())

    def to_json(self) -> dict[str, Any]:
        """Plain data."""
        return {
            "pull": self.number,
            "start": round(self.start, 3),
            "end": round(self.stop, 3),
            "time_unit": "s",
            "speed": self.speed.tolist(),
            "speed_unit": "rpm",
            "curves": [
                {
                    "quantity": name,
                    "unit": CURVES[name][1],
                    "values": [None if isnan(one) else float(f"{one:.5g}") for one in self.value[name].tolist()],
                }
                for name in CURVES
                if self.has(name)
            ],
            "air_from": self.air_from or None,
            "corrections": [one.to_json() for one in self.corrections],
        }


@dataclass(frozen=True, slots=True)
class Repeatability:
    """How far pulls lie apart in one quantity at the same engine speeds: standard deviation between them, pooled over
    the speeds that all of them pass, as a share of the mean in %; `limit` is the difference that two of them stay
    within 95 times of 100; `speeds` in rpm from .. to."""

    quantity: str
    pulls: int
    deviation: float
    limit: float
    speeds: tuple[float, float]

    def to_json(self) -> dict[str, Any]:
        """Plain data."""
        return {
            "quantity": self.quantity,
            "pulls": self.pulls,
            "standard_deviation": round(self.deviation, 3),
            "repeatability_limit": round(self.limit, 3),
            "unit": "%",
            "speeds": list(self.speeds),
            "speed_unit": "rpm",
        }


def pull_curves(table: ChannelTable, pulls: Sequence[Pull]) -> list[PullCurve]:
    """The curves of the pulls of a drive whose channels (as far as they are among `NEEDED`) are in `table`."""
    if "engine_speed" not in table:
        return []
    return list(_curves(table, pulls))


def _curves(table: ChannelTable, pulls: Sequence[Pull]) -> Iterator[PullCurve]:
    for pull in pulls:
        start, stop = pull.start / 1e9, pull.stop / 1e9
        first, last = (int(place) for place in np.searchsorted(table.time, (start - 1e-6, stop + 1e-6)))
        rows = slice(first, last)
        speed = table["engine_speed"][rows]
        known = np.flatnonzero(~np.isnan(speed))
        if len(known) < 5:
            continue
        # Over speed as it rises: a shift or a bounce does not go back.
        rising = np.maximum.accumulate(speed[known])
        grid = np.arange(np.ceil(rising[0] / STEP) * STEP, rising[-1] + 1e-9, STEP)
        if len(grid) < 3:
            continue
        value = {name: _over(grid, rising, column[known]) for name, column in _columns(table, rows).items()}
        air, source = _air(table, rows)
        measured = not (np.isnan(value["torque"]).all() and np.isnan(value["power"]).all())
        factors = corrections(*air) if measured and source else ()
        yield PullCurve(pull.number, start, stop, grid, value, air, source, factors)


def _columns(table: ChannelTable, rows: slice) -> dict[str, Column]:
    def of(*names: str) -> Column:
        for name in names:
            if name in table and not np.isnan(table[name][rows]).all():
                return table[name][rows]
        return np.full(rows.stop - rows.start, np.nan)

    commanded = of("commanded_lambda")
    before = np.concatenate((commanded[:1].repeat(LATE_LAMBDA), commanded))[: len(commanded)]
    rail = of("fuel_rail_pressure")
    if np.isnan(rail).all():
        rail = of("fuel_rail_gauge_pressure") + of("barometric_pressure")
    ratio = np.fmax(of("lambda_1"), of("lambda_2")) / before
    return {
        "boost": of("boost_pressure", "manifold_pressure"),
        "commanded": of("commanded_boost_pressure"),
        # A fuel cut reads as air.
        "lambda_ratio": np.where(ratio > 1.5, np.nan, ratio),
        "air": of("mass_air_flow"),
        "knock": of("knock_retard"),
        "rail": rail / of("commanded_fuel_rail_pressure"),
        "torque": of("torque"),
        "power": of("power"),
    }


def _over(grid: Column, speed: Column, column: Column) -> Column:
    known = ~np.isnan(column)
    if known.sum() < 2:
        return np.full(len(grid), np.nan)
    speeds, first = np.unique(speed[known], return_index=True)
    return np.interp(grid, speeds, column[known][first], left=np.nan, right=np.nan)


def _air(table: ChannelTable, rows: slice) -> tuple[tuple[float, float, float], str]:
    """Of the cell where its sensors are, else of the car; the words are empty where that is not enough."""

    def mean(name: str) -> float:
        column = table[name][rows] if name in table else np.zeros(0)
        known = column[~np.isnan(column)]
        return float(known.mean()) if len(known) else float("nan")

    def first(*names: str) -> tuple[float, str]:
        return next(((found, name) for name in names if not isnan(found := mean(name))), (float("nan"), ""))

    pressure, one = first("cell_air_pressure", "barometric_pressure")
    warmth, other = first("cell_air_temperature", "ambient_air_temperature", "intake_air_temperature")
    humidity, third = first("cell_relative_humidity")
    if not one or not other:
        return (pressure, warmth, humidity), ""
    words = ", ".join(name.replace("_", " ") for name in (one, other, third) if name)
    if not third:
        humidity, words = USUAL_HUMIDITY, f"{words}, 50 % relative humidity taken as usual"
    return (pressure, warmth, humidity), words


def repeatability(curves: Sequence[PullCurve], quantity: str) -> Repeatability | None:
    """How well a quantity repeats over the pulls; None where two of them do not share 500 rpm of it."""
    some = [curve for curve in curves if curve.has(quantity)]
    if len(some) < 2:
        return None
    low, high = max(curve.speed[0] for curve in some), min(curve.speed[-1] for curve in some)
    grid = np.arange(low, high + 1e-9, STEP)
    if len(grid) < 6:
        return None
    table = np.array([np.interp(grid, curve.speed, curve.value[quantity]) for curve in some])
    shared = ~np.isnan(table).any(axis=0) & (np.abs(table.mean(axis=0)) > 1e-9)
    if shared.sum() < 6:
        return None
    share = 100.0 * table[:, shared] / table[:, shared].mean(axis=0)
    deviation = float(np.sqrt(share.var(axis=0, ddof=1).mean()))
    speeds = grid[shared]
    return Repeatability(quantity, len(some), deviation, WITHIN * deviation, (float(speeds[0]), float(speeds[-1])))
