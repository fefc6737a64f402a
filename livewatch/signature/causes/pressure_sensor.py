"""Without an air meter: the manifold pressure sensor, or how the engine breathes, differs by one factor."""

from __future__ import annotations

from collections.abc import Iterator
from math import exp

from livewatch.signature.causes.hypothesis import Grounds, Hypothesis, Judged, Variant, linear
from livewatch.signature.estimates import Estimate, band_of, mapped
from livewatch.signature.evidence.observations import Observations
from livewatch.signature.evidence.settled import PointMaker

__all__ = ["HYPOTHESIS"]

SPREAD = 0.15
"""Of the factor beforehand, a share; common practice."""


class PressureSensor(Hypothesis):
    """Calculated air is off by one factor. Rare: a sensor that is shows against the barometer at every start."""

    name, family, short = "pressure_sensor", "metering", "pressure sensor, breathing"
    title = "the manifold pressure sensor or breathing differs by one factor"
    log_prior = -3.5
    danger = 3
    codes = frozenset({"P0105", "P0106", "P0107", "P0108", "P0109"})
    mixture = "either"
    settles = "With the engine off, manifold pressure must read as the barometer does."
    plain = (
        "the pressure sensor in the intake, or how the engine breathes, differs from what the calibration counts with"
    )
    remedy = "Have the sensor compared with a gauge; if it is right, write the calibration for this engine."
    factor = True

    def variants(self, seen: Observations, maker: PointMaker) -> Iterator[Variant]:
        if not maker.metered:
            yield Variant(self.name, linear(seen.on("need"), SPREAD))

    def estimates(self, judged: Judged, grounds: Grounds) -> list[Estimate]:
        return [mapped("air away from calculated by", "%", band_of(judged.fit), lambda s: 100.0 * (exp(s) - 1.0))]


HYPOTHESIS = PressureSensor()
