"""The air meter reads wrong more and more with flow: the factor bends, and the meter is noisy at steady speed."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from livewatch.signature.causes.codes import AIR_METER, LOADS
from livewatch.signature.causes.facts import Facts
from livewatch.signature.causes.hypothesis import Grounds, Hypothesis, Judged, Variant, air_side, logarithmic
from livewatch.signature.estimates import Estimate, band_of, mapped
from livewatch.signature.evidence.observations import Observations
from livewatch.signature.evidence.settled import PointMaker

__all__ = ["HYPOTHESIS"]

SPREAD = 0.20
"""Of the error at the highest flow beforehand, a share; common practice."""
BENDS = (10.0, 18.0, 30.0, 50.0)
"""g/s of air for each litre of displacement at which half of the error is reached; common practice."""
NOISY = 1.2
"""Per cent of noise of metered air at steady speed that a disturbed meter shows; common practice."""


class MeterShape(Hypothesis):
    """The intake disturbs the meter."""

    name, family, short = "meter_shape", "metering", "meter off more with flow"
    brief = "the air meter reads wrong more and more with flow"
    title = f"{brief}: the intake disturbs it"
    log_prior = -1.8
    danger = 3
    codes, mixture, loads = AIR_METER, "either", LOADS[2:]
    settles = "Look at the intake before the meter: bends, steps, a missing straightener; watch its noise."
    plain = "the intake disturbs the sensor that measures the air, more so the more air flows"
    remedy = "Write the calibration for this intake, or put the former one back."

    def variants(self, seen: Observations, maker: PointMaker) -> Iterator[Variant]:
        if not maker.metered:
            return
        air, sign = np.maximum(seen.of("air"), 0.3), air_side(seen, maker)
        for flow in (step * maker.displacement for step in BENDS):
            bend = (air / flow) ** 2
            bend = bend / (1.0 + bend)
            yield Variant(self.name, logarithmic(-sign, bend, SPREAD), flow, -float(np.log(len(BENDS))))

    def estimates(self, judged: Judged, grounds: Grounds) -> list[Estimate]:
        top = float(np.nanmax(grounds.seen.of("air")))
        bend = 0.0
        # The mean over the shapes that the data leave.
        for flow, share in judged.shapes:
            square = (top / flow) ** 2
            bend += share * square / (1.0 + square)
        what, where = "the meter reads away from the truth by", f"at {top:.0f} g/s"
        return [mapped(what, "%", band_of(judged.fit), lambda s: 100.0 * s * bend, where)]

    def reasons_for(self, judged: Judged, facts: Facts) -> Iterator[str]:
        yield facts.pattern
        yield from facts.air_disagrees()
        if facts.noise > NOISY:
            yield f"the meter is noisy at steady speed: {facts.noise:.1f} %"


HYPOTHESIS = MeterShape()
