"""Boost control that does not fit: overshoot, settling time, oscillation, steady error, duty away from its usual.

Overshoot counts by the lower quartile of the pulls: in high gears, where boost builds slowly, a sound car overshoots
now and then; a solenoid or actuator that does not fit overshoots every time.
"""

from __future__ import annotations

from collections.abc import Iterator
from math import isnan

from livewatch.signature.causes.boost_hypothesis import CUT_WEIGHT, BoostHypothesis, bayes_factor
from livewatch.signature.causes.codes import BOOST_ACTUATOR, OVERBOOST
from livewatch.signature.causes.facts import Facts
from livewatch.signature.causes.hypothesis import Grounds, Judged, Symptom
from livewatch.signature.estimates import Estimate, spread_of
from livewatch.signature.evidence.boost_figures import BoostFigures, spread_over

__all__ = ["HYPOTHESIS"]

OVERSHOOT, OVERSHOOT_WRONG = 0.027, 0.15
"""Spread of the overshoot that every pull shows, as a share of commanded boost, on matching and on wrong parts: common
practice, and 415 drives of the simulator with boost in order: 0.015 to 0.018 in the mean square, 0.023 to 0.027 of the
smallest engine, but 0.085 once."""
STEADY, STEADY_WRONG = 0.010, 0.12
"""The same of the steady error; 0.005 and 0.013 on those drives."""
DUTY, DUTY_WRONG = 4.0, 12.0
"""Per cent of duty against a baseline."""
ALONE, ALONE_WRONG = 0.040, 0.15
"""The same of a first peak over the pressure a second or two later, where no command is known: 0.022 in the mean square
on 588 simulated drives with boost in order, 0.082 at the most."""
CREEPING = 4.0
"""Weight (logarithm) that creep takes from it: that is another cause; common practice."""


class BoostControlOff(BoostHypothesis):
    """Solenoid, actuator or turbocharger."""

    name, short, quantity = "boost_control", "boost control misfit", "overshoot in every pull"
    alone = "overshoot in every pull over what it comes to"
    brief = "boost control does not fit"
    title = f"{brief}: solenoid, actuator or turbocharger"
    log_prior = -1.5
    codes, codes_against = BOOST_ACTUATOR | OVERBOOST, frozenset({"P2262"})
    settles = "Check solenoid and actuator against their part numbers; measure when the flap opens."
    plain = (
        "the parts that hold the boost (solenoid, actuator, turbocharger) act otherwise than the calibration expects"
    )
    remedy = "Write the boost calibration for these parts, or fit the ones it was written for."

    def symptom(self, figures: BoostFigures) -> Symptom | None:
        if figures.alone:
            if isnan(figures.over) and not figures.cuts:
                return None
            weight = bayes_factor(max(figures.over, 0.0), ALONE, ALONE_WRONG, figures.pulls)
            weight += CUT_WEIGHT * min(figures.cuts, 3) - (CREEPING if figures.creeping else 0.0)
            return Symptom(weight, max(figures.over, 0.0), ALONE)
        if not figures.reached:
            return None
        parts = [bayes_factor(max(figures.over, 0.0), OVERSHOOT, OVERSHOOT_WRONG, figures.pulls)]
        if not figures.creeping:
            parts.append(bayes_factor(max(figures.steady, 0.0), STEADY, STEADY_WRONG, figures.pulls))
        if not isnan(figures.duty):
            parts.append(bayes_factor(figures.duty, DUTY, DUTY_WRONG, figures.pulls))
        weight = max(parts) + CUT_WEIGHT * min(figures.cuts, 3) - (CREEPING if figures.creeping else 0.0)
        spread = spread_over([max(r.overshoot_share, r.steady_share) for r in figures.reached], OVERSHOOT)
        return Symptom(weight, max(figures.over, figures.steady, 0.0), spread)

    def estimates(self, judged: Judged, grounds: Grounds) -> list[Estimate]:
        settling = [r.settling_time for r in grounds.responses if r.reached and not isnan(r.settling_time)]
        more = [spread_of("settling time", "s", settling)] if settling else []
        return super().estimates(judged, grounds) + more

    def reasons_for(self, judged: Judged, facts: Facts) -> Iterator[str]:
        yield from self.cuts_for(facts)
        boost = facts.boost
        over = [r.overshoot for r in boost.reached]
        if over:
            yield f"overshoot {min(over):.0f} to {max(over):.0f} kPa over {len(over)} pulls"
            swings = sum(r.swings for r in boost.reached)
            if swings > 2 * len(over):
                yield f"boost swings around its command, {swings} times in {len(over)} pulls"


HYPOTHESIS = BoostControlOff()
