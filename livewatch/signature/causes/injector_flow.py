"""Injectors of another size: the same factor at every flow, and metered air agrees with speed-density air."""

from __future__ import annotations

from collections.abc import Iterator
from math import exp

from livewatch.signature.causes.facts import Facts
from livewatch.signature.causes.hypothesis import Grounds, Hypothesis, Judged, Variant, linear, scale_of
from livewatch.signature.causes.one_injector import of_all_or_one
from livewatch.signature.estimates import Estimate, band_of, mapped
from livewatch.signature.evidence.everyday import INJECTORS
from livewatch.signature.evidence.observations import Observations
from livewatch.signature.evidence.settled import PointMaker

__all__ = ["HYPOTHESIS"]

SPREAD = 0.20
"""Of the logarithm of their flow ratio beforehand; common practice."""


class InjectorFlow(Hypothesis):
    """Injectors, or a fuel pressure, that give more or less than calibrated for."""

    name, family, short = "injector_flow", "injection", "injector flow differs"
    title = "the injectors flow more or less than calibrated for"
    log_prior = -1.2
    danger = 3
    codes, mixture = frozenset({"P0200"}), "either"
    settles = "Read the injectors' part number, or have their flow measured on a bench."
    plain = "the injectors give more or less fuel than the calibration counts with"
    remedy = "Write the calibration for these injectors, or fit the ones it was written for."
    factor = True

    def variants(self, seen: Observations, maker: PointMaker) -> Iterator[Variant]:
        alike = linear(seen.on("need"), SPREAD)
        yield from of_all_or_one(self.name, seen, maker, alike, 1) if maker.banks == 1 else [Variant(self.name, alike)]

    def estimates(self, judged: Judged, grounds: Grounds) -> list[Estimate]:
        band = band_of(scale_of(judged, grounds, SPREAD, INJECTORS))
        return [mapped("flow fitted over flow calibrated for", "1", band, lambda s: exp(-s))]

    def reasons_for(self, judged: Judged, facts: Facts) -> Iterator[str]:
        yield facts.pattern
        yield from facts.the_same_everywhere()
        yield from facts.air_agrees()
        yield from facts.lambda_moves()

    def reasons_against(self, judged: Judged, facts: Facts) -> Iterator[str]:
        yield from facts.not_the_same_everywhere()
        if facts.metered and abs(facts.ratio) > facts.spread:
            yield f"metered air is {facts.ratio:+.1f} % away from speed-density air, which injectors do not change"
        yield from facts.breathing_unsure()


HYPOTHESIS = InjectorFlow()
