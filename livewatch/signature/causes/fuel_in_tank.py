"""Another fuel in the tank than that calibrated for, by the ethanol sensor, where the computer does not correct for it.

No part of the car, and everyday: trims follow it. It is named where a critical alarm stood that it raises, under load,
where no trim follows it: then the alarm is explained, and no part to blame.
"""

from __future__ import annotations

from collections.abc import Iterator
from math import exp

from livewatch.signature.causes.facts import Facts
from livewatch.signature.causes.hypothesis import Grounds, Hypothesis, Judged, Variant, linear
from livewatch.signature.estimates import Estimate, band_of, mapped
from livewatch.signature.evidence.observations import Observations
from livewatch.signature.inference import Fit

__all__ = ["HYPOTHESIS", "judged_fuel"]

KNOWN = 0.01
"""Share of need by which what a blend takes may be off: a sensor of ethanol is right to within 5 % by volume, two
standard deviations (common practice), which are 2.2 % of need (Heywood 1988, table D.4)."""


class FuelInTank(Hypothesis):
    """The blend."""

    name, family, short = "fuel_in_tank", "fuel", "another fuel in the tank"
    title = "the fuel in the tank is not that calibrated for, and is not corrected for"
    log_prior = 0.0
    systems, danger = ("fuel under load",), 6
    explains = ("lean_under_load",)
    everyday = True
    settles = "Fill up with the fuel it is calibrated for, or have the calibration written for this one."
    plain = "the fuel in the tank is not the one the calibration was written for"
    remedy = "Fill up with the fuel it was written for, or write the calibration for this one."

    def estimates(self, judged: Judged, grounds: Grounds) -> list[Estimate]:
        return [mapped("need from it", "%", band_of(judged.fit), lambda s: 100.0 * (exp(s) - 1.0))]

    def reasons_for(self, judged: Judged, facts: Facts) -> Iterator[str]:
        yield "the ethanol sensor says so, and need is away from 1 at every load by what that takes"


def judged_fuel(seen: Observations, probability: float, weight: float) -> Judged:
    """As judged: `probability` that the computer does not correct for it, and the `weight` of evidence (logarithm)."""
    fuel = HYPOTHESIS
    shape = Variant(fuel.name, linear(seen.on("need"), 1.0))
    return Judged(
        fuel.name,
        fuel.family,
        Fit(seen.fuel_shift, KNOWN, weight),
        probability,
        shapes=((0.0, 1.0),),
        variants=(shape,),
    )


HYPOTHESIS = FuelInTank()
