"""Injectors that open later or earlier: the error falls as 1 / injected mass per event, so it is largest at idle."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from livewatch.signature.causes.codes import LOADS
from livewatch.signature.causes.facts import FLAT, Facts
from livewatch.signature.causes.hypothesis import Grounds, Hypothesis, Judged, Variant, logarithmic
from livewatch.signature.estimates import Estimate, band_of, mapped
from livewatch.signature.evidence.everyday import milligrams_per_ms
from livewatch.signature.evidence.observations import Observations
from livewatch.signature.evidence.settled import PointMaker

__all__ = ["HYPOTHESIS"]

SPREAD = 0.25
"""ms beforehand; common practice."""


class InjectorDeadTime(Hypothesis):
    """Another dead time."""

    name, family, short = "injector_dead_time", "injection", "injector dead time differs"
    title = "the injectors open later or earlier than calibrated for"
    log_prior = -1.6
    systems, danger, explains, carried = ("fuel at part load",), 5, (), -1
    codes = frozenset({"P0200"})
    mixture, loads = "either", LOADS[:2]
    settles = "Have the injectors' dead time measured at 14 V, and compare idle with part load once more."
    plain = "the injectors open earlier or later than the calibration counts with"
    remedy = "Write the calibration for these injectors, or fit the ones it was written for."

    def variants(self, seen: Observations, maker: PointMaker) -> Iterator[Variant]:
        late = np.nan_to_num(milligrams_per_ms(seen.regions, maker)[0] / np.maximum(seen.of("charge"), 1.0))
        yield Variant(self.name, logarithmic(-seen.on("need"), -late, SPREAD))

    def estimates(self, judged: Judged, grounds: Grounds) -> list[Estimate]:
        # A time follows from a missing mass by the injector's rate, which is known to a share only.
        unsure = judged.fit.size * milligrams_per_ms(grounds.seen.regions, grounds.maker)[1]
        band = band_of(replace(judged.fit, deviation=float(np.hypot(judged.fit.deviation, unsure))))
        return [mapped("dead time over that calibrated for", "ms", band, lambda s: s)]

    def reasons_for(self, judged: Judged, facts: Facts) -> Iterator[str]:
        yield facts.pattern
        yield from facts.air_agrees()
        if abs(facts.idle) > abs(facts.high) + FLAT:
            yield "the error is largest where the pulses are shortest"


HYPOTHESIS = InjectorDeadTime()
