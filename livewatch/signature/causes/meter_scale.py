"""The air meter reads wrong by one factor: the same at every flow, and metered air disagrees with speed-density air."""

from __future__ import annotations

from collections.abc import Iterator
from math import exp

from livewatch.signature.causes.codes import AIR_METER
from livewatch.signature.causes.facts import CLEAR, Facts
from livewatch.signature.causes.hypothesis import Grounds, Hypothesis, Judged, Variant, air_side, linear, scale_of
from livewatch.signature.estimates import Estimate, band_of, mapped
from livewatch.signature.evidence.everyday import METER
from livewatch.signature.evidence.observations import Observations
from livewatch.signature.evidence.settled import PointMaker

__all__ = ["HYPOTHESIS"]

SPREAD = 0.15
"""Of the factor beforehand, a share; common practice."""


class MeterScale(Hypothesis):
    """Another bore, or another meter."""

    name, family, short = "meter_scale", "metering", "air meter off by one factor"
    brief = "the air meter reads wrong by one factor"
    title = f"{brief}: another bore, or another meter"
    log_prior = -1.2
    danger = 3
    codes, mixture = AIR_METER, "either"
    settles = "Measure the bore of the air meter's housing and read the part number of the meter."
    plain = (
        "the sensor that measures the intake air reads wrong by a fixed share, as it does in a tube of another width"
    )
    remedy = "Write the calibration for this intake, or put the former one back."
    factor = True

    def variants(self, seen: Observations, maker: PointMaker) -> Iterator[Variant]:
        if maker.metered:
            yield Variant(self.name, linear(air_side(seen, maker), SPREAD))

    def estimates(self, judged: Judged, grounds: Grounds) -> list[Estimate]:
        band = band_of(scale_of(judged, grounds, SPREAD, METER))
        return [
            mapped("the meter reads away from the truth by", "%", band, lambda s: 100.0 * (exp(-s) - 1.0)),
            mapped("true over metered air", "1", band, exp),
            mapped("bore fitted over bore calibrated for", "1", band, lambda s: exp(s / 2.0)),
        ]

    def reasons_for(self, judged: Judged, facts: Facts) -> Iterator[str]:
        yield facts.pattern
        yield from facts.the_same_everywhere()
        yield from facts.air_disagrees()

    def reasons_against(self, judged: Judged, facts: Facts) -> Iterator[str]:
        yield from facts.not_the_same_everywhere()
        if abs(facts.ratio) < facts.spread / 2.0 and abs(facts.level) > CLEAR:
            yield f"metered air agrees with speed-density air ({facts.ratio:+.1f} %)"
        yield from facts.breathing_unsure()


HYPOTHESIS = MeterScale()
