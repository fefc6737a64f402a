"""A lambda sensor that reads wrong: from the beginning, or more and more. Parts do not change with time; it may."""

from __future__ import annotations

from collections.abc import Iterator
from math import exp, log

import numpy as np

from livewatch.signature.causes.facts import Facts
from livewatch.signature.causes.hypothesis import Grounds, Hypothesis, Judged, Variant, linear, measured
from livewatch.signature.estimates import Estimate, band_of, mapped
from livewatch.signature.evidence.observations import Observations
from livewatch.signature.evidence.settled import PointMaker

__all__ = ["HYPOTHESIS"]

SPREAD, NARROW_SPREAD = 0.06, 0.015
"""Of the logarithm of its error beforehand, of a wideband sensor and of a narrow-band one, which switches near lambda 1
however old it is; common practice, no source."""
DRIFTS = (60.0, 120.0, 240.0)
"""s a lambda sensor may take to drift."""
TOLD_BY_LEVEL = -2.5
"""Logarithm of the share of lambda sensor faults that are there all along rather than growing."""


class LambdaSensorOff(Hypothesis):
    """The sensor, not the mixture."""

    name, family, short = "lambda_sensor", "none", "lambda sensor wrong"
    title = "the lambda sensor reads wrong"
    log_prior = -2.0
    danger = 7
    codes = frozenset({*(f"P013{place}" for place in range(6)), "P2195", "P2196", "P2197", "P2198"})
    mixture = "either"
    settles = "Compare with a second lambda sensor, in the tailpipe or in its place."
    plain = "the exhaust sensor by which the mixture is corrected reads wrong"
    remedy = "Have the exhaust sensor checked first: everything else is judged by it."
    repair = True
    factor = True

    def variants(self, seen: Observations, maker: PointMaker) -> Iterator[Variant]:
        # A channel of it or not, the trims follow it.
        need, spread = seen.on("need"), _spread(maker)
        yield Variant(self.name, linear(need, spread), -1.0, TOLD_BY_LEVEL)
        used = seen.regions.stretch[seen.row]
        if not len(used) or int(used.max()) < 1:
            return
        end = float(seen.regions.middle[int(used.max())])
        starts = [0.0, 0.25 * end, 0.5 * end]
        share = log((1.0 - exp(TOLD_BY_LEVEL)) / (len(starts) * len(DRIFTS)))
        for start in starts:
            for drift in DRIFTS:
                grown = np.clip((seen.of("time") - start) / drift, 0.0, 1.0)
                yield Variant(self.name, linear(grown * need, spread), start, share)

    def estimates(self, judged: Judged, grounds: Grounds) -> list[Estimate]:
        return [
            mapped(
                "reads away from the truth by",
                "%",
                band_of(measured(judged.fit, _spread(grounds.maker), 0.0)),
                lambda s: 100.0 * (exp(s) - 1.0),
            )
        ]

    def reasons_for(self, judged: Judged, facts: Facts) -> Iterator[str]:
        yield facts.pattern
        yield from facts.the_same_everywhere()
        yield from facts.air_agrees()
        if judged.unknown >= 0.0 and judged.probability > 0.3:
            yield "need moved with time at the same loads, which parts do not"

    def reasons_against(self, judged: Judged, facts: Facts) -> Iterator[str]:
        if judged.unknown < 0.0:
            yield "a sensor that was wrong all along looks like injectors of another size"


def _spread(maker: PointMaker) -> float:
    narrow = "oxygen_sensor_voltage_1" in maker.there and "lambda_1" not in maker.there
    return NARROW_SPREAD if narrow else SPREAD


HYPOTHESIS = LambdaSensorOff()
