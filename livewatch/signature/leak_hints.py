"""What the pulls tell of a leak under boost, besides what fuel and air do.

The figures of the pulls come in and a weight goes out; an explanation of the fuel side comes in, and out goes whether
its leak is too small for boost to fall short by it.
"""

from __future__ import annotations

from math import exp, log

import numpy as np

from livewatch.signature.causes.boost_hypothesis import bayes_factor
from livewatch.signature.causes.leak_sizes import LOST
from livewatch.signature.combination import Combination
from livewatch.signature.evidence.boost_figures import BoostFigures
from livewatch.signature.evidence.observations import Observations

__all__ = ["opened", "too_small"]

LOST_WRONG, OPENED = 0.6, 0.2
"""Spread of the logarithm by which metered air over speed and pressure rises within a pull where something opens; and
how many leaks begin in a pull that was seen: common practice, and pulls of simulated cars."""
HIGH = 0.8
"""Share of the highest boost from which it counts as such; no source."""
MADE_UP_FOR = 0.03
"""Share of the metered air that a turbocharger brings on top of what it is asked for: boost does not fall short by a
leak that takes less; common practice, no source."""


def opened(figures: BoostFigures) -> float:
    """Weight for a leak under boost: a hose may have come off in one of the pulls, or else it has leaked all along, of
    which this tells nothing."""
    if not figures.responses:
        return 0.0
    rise = -log(max(1.0 - figures.air_lost, 1e-3))
    return log(1.0 - OPENED + OPENED * exp(min(bayes_factor(rise, LOST, LOST_WRONG, 1), 60.0)))


def too_small(one: Combination, seen: Observations) -> bool:
    """Whether an explanation has a leak under boost by which boost does not fall short: at the highest boost seen it
    takes too little of the metered air."""
    for variant, size in zip(one.variants, one.sizes, strict=True):
        if variant.cause == "pressure_leak":
            boost = np.nan_to_num(seen.of("boost") - seen.of("outside"))
            high = boost > HIGH * boost.max()
            return bool(np.abs(variant.effect.mean(size)[high]).max(initial=0.0) < MADE_UP_FOR)
    return False
