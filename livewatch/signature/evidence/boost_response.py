"""How boost follows its command in one pull, and what that says about boost control.

The columns of one pull come in; a `Response` goes out: rise time, overshoot, settling, oscillation, steady error, duty
at its stops, and where creep begins. Errors count from the first moment boost has reached its command: before that the
turbocharger is still spinning up, which no controller can help.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from math import exp, isfinite, nan

import numpy as np

from livewatch.data.events import Figure
from livewatch.data.middle import median
from livewatch.data.physics import ABSOLUTE_ZERO, STANDARD_PRESSURE
from livewatch.signature.evidence.readings import Column, Mask

__all__ = ["DUTY_CEILING", "END", "LEAST_ASKED", "SPOOLED_SPEED", "Response", "response_of"]

LEAST_ASKED = 20.0
"""kPa above the air outside: less is not boost control."""
DUTY_FLOOR, DUTY_CEILING = 4.0, 90.0
"""Per cent of solenoid duty taken for its stops."""
END = 6
"""Looks at the end of a pull that are left out."""
FALLS, FALLS_IN = 0.1, 5
"""Share by which the boost commanded falls, and within how many looks, as a foot comes up: faster than the pressure can
follow. What a command loses with engine speed is less than half of that; common practice, and simulated cars."""
AFTER_OPENING, BEFORE, HELD = 3, 13, 5
"""Looks at the beginning of a pull while the manifold fills; looks by which it is known what is usual in this pull;
looks for which air has to be lost."""
SPOOLED_SPEED = 3800.0
"""rpm by which a sound turbocharger has reached its command; common practice, no source."""
_UNITS = {
    "asked": "kPa", "rise_time": "s", "overshoot": "kPa", "settling_time": "s", "steady_error": "kPa",
    "creep_speed": "rpm", "top_speed": "rpm", "mean_duty": "%", "asked_then": "kPa",
}  # fmt: skip
"""Of the figures of a response; the others are plain numbers."""


@dataclass(frozen=True, slots=True)
class Response:
    """Boost in one pull; NaN where there was nothing to measure.

    Attributes:
        asked: kPa above the air outside, commanded, at its highest.
        reached: whether boost got within 4 % of the command.
        rise_time: s from the beginning of the pull to 90 % of the command.
        overshoot: highest excess over the command within 2.5 s of reaching it, kPa; `overshoot_share` the same as a
            share of the boost commanded.
        settling_time: s from reaching the command to staying within 5 % of it.
        swings: how often boost crossed its command by more than 2 % after reaching it.
        steady_error: mean excess from 1.5 s after reaching the command, kPa (negative below); `steady_share` as a
        share.
        late_share: mean excess over the last tenth of the pull, half a second at least, as a share of the boost
            commanded: creep grows with speed until the foot comes up.
        short_share: mean shortfall (negative) above 3800 rpm where duty stood at its ceiling or command was not
        reached. at_floor, at_ceiling: share of the time since reaching the command (or since 3800 rpm) with duty at a
        stop.
        creep_speed: rpm at which boost first left its command for good with duty at its floor; NaN without creep.
        mean_duty, asked_then: per cent and kPa, averages over the settled part, for comparing with a baseline.
        top_speed: rpm reached.
        air_lost: share of the metered air that went elsewhere than into the cylinders once something had opened in the
            pull: by how far metered air over pressure and speed rose above what it was before, and stayed for half a
            second; 0 where it did not rise, NaN without a meter.
    """

    asked: float
    reached: bool
    rise_time: float
    overshoot: float
    overshoot_share: float
    settling_time: float
    swings: int
    steady_error: float
    steady_share: float
    late_share: float
    short_share: float
    at_floor: float
    at_ceiling: float
    creep_speed: float
    mean_duty: float
    asked_then: float
    top_speed: float
    air_lost: float

    def figures(self) -> tuple[Figure, ...]:
        """All of them with their units, rounded; None for what is unknown."""
        return tuple(_figure(field.name, getattr(self, field.name)) for field in fields(self))


def _figure(name: str, value: float) -> Figure:
    if isinstance(value, float):
        value = round(value, 4)
    return Figure(name, value if isfinite(value) else None, _UNITS.get(name, "1"))


def response_of(column: Mapping[str, Column]) -> Response | None:
    """The response in a pull, from its columns at ten looks a second; None when no boost was commanded, or too little
    is known of it."""
    stop = _foot_up(column)
    column = {name: values[:stop] for name, values in column.items()}
    boost = column["boost_pressure"]
    if np.isnan(boost).all():
        boost = column["manifold_pressure"]
    commanded, outside, speed = (
        column["commanded_boost_pressure"],
        column["barometric_pressure"],
        column["engine_speed"],
    )
    outside = np.where(np.isnan(outside), STANDARD_PRESSURE, outside)
    asked, error = commanded - outside, boost - commanded
    known = ~np.isnan(error) & ~np.isnan(speed)
    if known.sum() < 10 or float(np.nanmax(asked)) < LEAST_ASKED:
        return None
    duty = column["wastegate_duty"]
    share = error / np.maximum(asked, LEAST_ASKED)
    look = np.arange(len(error))
    with np.errstate(invalid="ignore"):
        arrived = np.flatnonzero(known & (asked > LEAST_ASKED) & (look >= 3) & (share > -0.04))
        risen = np.flatnonzero(known & (asked > LEAST_ASKED) & (boost - outside > 0.9 * asked))
    reached = len(arrived) > 0
    at = int(arrived[0]) if reached else len(error)
    after = known & (look >= at)
    soon, late = after & (look <= at + 25), after & (look >= at + 15)
    outer = np.abs(share) > 0.05
    unsettled = np.flatnonzero(after & outer)
    settling = (float(unsettled[-1]) - at + 1.0) / 10.0 if len(unsettled) else 0.0
    with np.errstate(invalid="ignore"):
        floor, ceiling = duty <= DUTY_FLOOR, duty >= DUTY_CEILING
        spooled = known & (speed > SPOOLED_SPEED)
    judged = after if reached else spooled
    short = spooled & (ceiling if reached else True) if not np.isnan(duty).all() else spooled
    last = known & (look >= len(error) - max(5, len(error) // 10)) & (after if reached else spooled)
    return Response(
        float(np.nanmax(asked)),
        reached,
        float(risen[0]) / 10.0 if len(risen) else nan,
        max(0.0, float(error[soon].max())) if soon.any() else nan,
        max(0.0, float(share[soon].max())) if soon.any() else nan,
        settling if reached else nan,
        _swings(share[after]),
        _mean(error[late]),
        _mean(share[late]),
        _mean(share[last]),
        min(0.0, _mean(share[short])) if short.sum() >= 5 else nan,
        _mean(floor[judged & ~np.isnan(duty)].astype(np.float64)),
        _mean(ceiling[judged & ~np.isnan(duty)].astype(np.float64)),
        _creep_speed(share, speed, floor & after),
        _mean(duty[late & ~np.isnan(duty)]),
        _mean(asked[late]),
        float(np.nanmax(speed)),
        _air_lost(column),
    )


def _foot_up(column: Mapping[str, Column]) -> int:
    """The look from which a pull is not judged: as the foot comes up, the command falls before the pressure can."""
    commanded, outside = column["commanded_boost_pressure"][:-END], column["barometric_pressure"][:-END]
    asked = commanded - np.where(np.isnan(outside), STANDARD_PRESSURE, outside)
    before = asked[:-FALLS_IN]
    with np.errstate(invalid="ignore"):
        falls = (before > LEAST_ASKED) & (asked[FALLS_IN:] < (1.0 - FALLS) * before)
    return int(falls.argmax()) + 1 if falls.any() else len(commanded)


def _air_lost(column: Mapping[str, Column]) -> float:
    """`Response.air_lost`. Cylinders take air by speed, pressure and temperature (Heywood 1988, eq. 2.27); what more a
    meter sees leaves on the way. A leak that was there all along raises both halves of the pull and does not show."""
    temperature = column["charge_air_temperature"] - ABSOLUTE_ZERO
    if np.isnan(temperature).any():
        temperature = np.full(len(temperature), 1.0)
    with np.errstate(invalid="ignore", divide="ignore"):
        taken = column["manifold_pressure"] * column["engine_speed"] / temperature
        ratio = np.log(column["mass_air_flow"] / taken)
    if len(ratio) < BEFORE + HELD or not np.isfinite(ratio[AFTER_OPENING:]).all():
        return nan
    held = np.lib.stride_tricks.sliding_window_view(ratio[BEFORE:], HELD).min(axis=1)
    place = int(np.argmax(held))
    before = median(ratio[AFTER_OPENING : BEFORE + place])
    return max(0.0, 1.0 - exp(before - float(held[place])))


def _mean(values: Column) -> float:
    return float(values.mean()) if len(values) else nan


def _swings(share: Sequence[float] | Column) -> int:
    """Crossings of the command from more than 2 % on one side to more than 2 % on the other."""
    side, count = 0, 0
    for value in share:
        now = 1 if value > 0.02 else (-1 if value < -0.02 else 0)
        if now and side and now != side:
            count += 1
        side = now or side
    return count


def _creep_speed(share: Column, speed: Column, at_floor: Mask) -> float:
    """rpm from which boost stays more than 4 % above its command with duty at its floor until the end."""
    with np.errstate(invalid="ignore"):
        away = (share > 0.04) & at_floor
    if not away[-3:].all() or len(away) < 5:
        return nan
    inside = np.flatnonzero(~away)
    first = int(inside[-1]) + 1 if len(inside) else 0
    return float(speed[first])
