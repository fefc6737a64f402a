"""What all the pulls of a drive show of boost together: the figures that the causes of boost are judged by.

The responses of the pulls come in, with how often the fuel was cut and what a baseline showed, or, without a command,
what each pull shows alone; `BoostFigures` go out, shares of commanded boost or else of the pull's own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import isnan, nan, sqrt

import numpy as np

from livewatch.data.middle import quantile
from livewatch.signature.evidence.boost_alone import Alone
from livewatch.signature.evidence.boost_response import Response

__all__ = ["FAST", "BoostFigures", "air_lost", "boost_figures", "spread_over"]

FAST = 0.92
"""Share of the highest speed of all pulls from which a pull counts as one to the top: pulls that end earlier say
nothing about creep."""
RISING, ABOVE = 0.03, 0.05
"""Shares of commanded boost: by how much the end of a pull is above its middle, and above command, in creep."""
BELOW_TOP = 0.97
"""Share of the highest speed of all pulls, up to a cut, below which a cut is none of a limit of speed; no source."""


@dataclass(frozen=True, slots=True)
class BoostFigures:
    """Over all pulls; shares of commanded boost, NaN where unknown.

    Attributes:
        responses, reached, fast: of all pulls, of those that reached their command, of those to the top speed.
        cuts: overboost fuel cuts.
        over: overshoot that three quarters of the pulls have, above a baseline's.
        steady, late, short: median steady error, excess at the end, shortfall.
        duty: median duty in % above a baseline's. floor: median share of a pull with duty at its floor.
        air_lost: the largest share of the metered air that was lost from some moment of a pull on; 0 where unknown.
        alone: pulls without a command, where no pull has one: then `cuts` are those with pressure at its highest,
            `over` is overshoot over the pressure a second or two later, `late` the rise at the end while duty was taken
            away. ceiling: of such pulls, median share above 3800 rpm with duty at its ceiling.
    """

    responses: tuple[Response, ...]
    reached: tuple[Response, ...]
    fast: tuple[Response, ...]
    cuts: int
    over: float
    steady: float
    late: float
    short: float
    duty: float
    floor: float
    air_lost: float
    alone: int = 0
    ceiling: float = nan

    @property
    def pulls(self) -> int:
        """How many."""
        return len(self.responses) or self.alone

    @property
    def creeping(self) -> bool:
        """Whether boost rises above its command towards the end of the pulls."""
        return self.late > ABOVE and (bool(self.alone) or self.late - self.steady > RISING)


def boost_figures(
    responses: Sequence[Response], cuts: int, usual: tuple[float, float] = (nan, nan), alone: Sequence[Alone] = ()
) -> BoostFigures:
    """The figures. `cuts` counts overboost fuel cuts; `usual` is overshoot (share) and duty (%) of a baseline."""
    if alone and not responses:
        top = max(one.top_speed for one in alone)
        over = _quantile([one.over for one in alone], 0.25)
        late = _quantile([one.rise for one in alone if one.top_speed > FAST * top], 0.5)
        cuts = _cut_at_pressure(alone)
        ceiling = _quantile([one.at_ceiling for one in alone], 0.5)
        return BoostFigures((), (), (), cuts, over, nan, late, nan, nan, nan, 0.0, len(alone), ceiling)
    reached = tuple(response for response in responses if response.reached)
    top = max((r.top_speed for r in reached), default=0.0)
    fast = tuple(r for r in reached if r.top_speed > FAST * top)
    return BoostFigures(
        tuple(responses),
        reached,
        fast,
        cuts,
        _quantile([r.overshoot_share for r in reached], 0.25) - (0.0 if isnan(usual[0]) else usual[0]),
        _quantile([r.steady_share for r in reached], 0.5),
        _quantile([r.late_share for r in fast], 0.5),
        _quantile([r.short_share for r in responses], 0.5),
        _quantile([r.mean_duty for r in reached], 0.5) - usual[1],
        _quantile([r.at_floor for r in fast], 0.5),
        air_lost(responses),
    )


def _cut_at_pressure(alone: Sequence[Alone]) -> int:
    """Pulls in which the fuel was cut with the pressure at its highest, unless that was always at about the highest
    speed."""
    cuts = [one.cut_speed for one in alone if not isnan(one.cut_speed)]
    top = max(one.top_speed if isnan(one.cut_speed) else one.cut_speed for one in alone)
    return len(cuts) if any(speed < BELOW_TOP * top for speed in cuts) else 0


def air_lost(responses: Sequence[Response]) -> float:
    """The largest share of the metered air that was lost from some moment of a pull on; 0 where unknown."""
    return max((one.air_lost for one in responses if not isnan(one.air_lost)), default=0.0)


def _quantile(values: Sequence[float], share: float) -> float:
    known = [value for value in values if not isnan(value)]
    return quantile(known, share) if known else nan


def spread_over(values: Sequence[float], everyday: float) -> float:
    """Standard deviation of the mean of what the pulls show; the `everyday` one where too few are known."""
    known = [value for value in values if not isnan(value)]
    if len(known) < 2:
        return everyday
    return sqrt(float(np.var(known, ddof=1)) / len(known) + (0.3 * everyday) ** 2)
