"""What a pull shows of boost where nobody knows which was wanted: pressure that control works against is not.

The columns of one pull come in, at ten looks a second; an `Alone` goes out. Four things tell without a command: fuel
cut at full pedal with the pressure at its highest, pressure that rises again at the end while duty is taken away, a
first peak that is gone a second or two later, and duty that stands at its ceiling long after a sound turbocharger has
reached what is wanted. Boost that a softer actuator leaves below that with duty in between does not show.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import nan

import numpy as np

from livewatch.data.physics import STANDARD_PRESSURE
from livewatch.signature.evidence.boost_response import DUTY_CEILING, END, LEAST_ASKED, SPOOLED_SPEED
from livewatch.signature.evidence.readings import Column, Mask

__all__ = ["Alone", "alone_of"]

CUT_LOOKS, BEFORE_CUT, AT_HIGHEST = 3, 6, 0.93
"""Looks before the end of a pull by which a cut has begun: one as the foot comes up is none of the pressure. Looks
before the cut, and the share of the highest pressure of the pull that has to stand in them; no source."""
OPENING, CONTROLLED = 3, 20
"""Looks at the beginning that are left out, and looks for which control has to be at work; no source."""
PEAK_WITHIN, GONE_AFTER, GONE_BY = 30, 12, 22
"""Looks within which the first peak comes, and after it those in which an overshoot is gone; no source."""
TAKEN = 8.0
"""Per cent of duty that have to be taken away while pressure rises: on simulated drives with boost in order, whose
pressure falls towards the end, at most 7.0 are."""
LONG = 10
"""Looks above the speed by which a turbocharger is there, from which duty at its ceiling tells; no source."""
SMOOTH = 5
"""Looks that one level is averaged over; no source."""


@dataclass(frozen=True, slots=True)
class Alone:
    """One pull; NaN where nothing was to be seen.

    Attributes:
        top_speed: rpm reached.
        cut_speed: rpm at which the fuel was cut with the pressure at its highest.
        rise: share by which pressure at the end is above its lowest since the first peak, 0 unless duty was taken away
            meanwhile.
        over: share by which the first peak is above the pressure a second or two later.
        at_ceiling: share of the looks above 3800 rpm, a second of them at least, with duty at its ceiling.
    """

    top_speed: float
    cut_speed: float = nan
    rise: float = nan
    over: float = nan
    at_ceiling: float = nan


def alone_of(column: Mapping[str, Column], cut: Mask) -> Alone | None:
    """What a pull shows; `cut` (n,) is where the fuel is cut. None without boost, or with gaps in it."""
    boost = column["boost_pressure"]
    if np.isnan(boost).all():
        boost = column["manifold_pressure"]
    outside, speed, duty = column["barometric_pressure"], column["engine_speed"], column["wastegate_duty"]
    gauge = boost - np.where(np.isnan(outside), STANDARD_PRESSURE, outside)
    if np.isnan(gauge).any() or float(gauge.max()) < LEAST_ASKED:
        return None
    end = len(gauge) - END
    look = np.arange(len(gauge))
    with np.errstate(invalid="ignore"):
        at_work = (duty < DUTY_CEILING) & (gauge > 0.5 * float(np.median(gauge[len(gauge) // 2 :])))
    begins = np.flatnonzero(at_work & (look >= OPENING))
    rise = over = nan
    if len(begins) and end - begins[0] >= CONTROLLED:
        start = int(begins[0])
        peak = start + int(np.argmax(gauge[start : min(end, start + PEAK_WITHIN)]))
        # Where duty stands at its ceiling again, as after a change of gear, more is wanted than there is.
        wanting = np.flatnonzero(duty[:end] >= DUTY_CEILING)
        last = int(wanting[-1]) if len(wanting) else 0
        rise = _rise(gauge, duty, max(peak, last + OPENING), end)
        gone = gauge[peak + GONE_AFTER : min(end, peak + GONE_BY)]
        if len(gone) >= SMOOTH and not peak < last < peak + GONE_BY:
            over = float(gauge[peak] / max(float(gone.mean()), LEAST_ASKED)) - 1.0
    return Alone(float(np.nanmax(speed)), _cut_speed(gauge, speed, cut), rise, over, _at_ceiling(duty, speed, end))


def _at_ceiling(duty: Column, speed: Column, end: int) -> float:
    with np.errstate(invalid="ignore"):
        known = duty[OPENING:end][speed[OPENING:end] > SPOOLED_SPEED]
    known = known[~np.isnan(known)]
    return float((known >= DUTY_CEILING).mean()) if len(known) >= LONG else nan


def _rise(gauge: Column, duty: Column, peak: int, end: int) -> float:
    last = slice(end - max(SMOOTH, len(gauge) // 10), end)
    if last.start - SMOOTH < peak:
        return nan
    levels = np.lib.stride_tricks.sliding_window_view(gauge[peak : last.start], SMOOTH).mean(axis=1)
    low = int(np.argmin(levels))
    taken = float(duty[peak + low : peak + low + SMOOTH].mean() - duty[last].mean())
    share = float(gauge[last].mean() / max(float(levels[low]), LEAST_ASKED)) - 1.0
    return share if taken > TAKEN else min(share, 0.0)


def _cut_speed(gauge: Column, speed: Column, cut: Mask) -> float:
    at = int(np.argmax(cut))
    if not cut[at] or len(cut) - at < CUT_LOOKS:
        return nan
    before = gauge[max(0, at - BEFORE_CUT) : at + 1]
    return float(speed[at]) if float(before.max()) >= AT_HIGHEST * float(gauge.max()) else nan
