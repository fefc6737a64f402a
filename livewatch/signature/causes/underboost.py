"""Underboost: pressure below command, duty at its ceiling."""

from __future__ import annotations

from collections.abc import Iterator
from math import isnan

import numpy as np

from livewatch.signature.causes.boost_hypothesis import BoostHypothesis, bayes_factor
from livewatch.signature.causes.codes import OVERBOOST, UNDERBOOST
from livewatch.signature.causes.facts import Facts
from livewatch.signature.causes.hypothesis import Judged, Symptom
from livewatch.signature.evidence.boost_figures import BoostFigures, spread_over

__all__ = ["HYPOTHESIS"]

SHORT, SHORT_WRONG = 0.02, 0.20
"""Spread of the shortfall, as a share of commanded boost, on matching and on wrong parts: common practice, and pulls of
the simulator's matching cars."""
STEADY, STEADY_WRONG, NOT_SHORT = 0.010, 0.12, 1.0
"""The same of a steady error below command, where duty never stood at its ceiling; and what that takes off."""
CEILING = 0.3
"""Share of a pull with duty at its ceiling worth saying; common practice."""
ALONE, ALONE_WRONG = 0.07, 0.30
"""Spread of the share of the time above 3800 rpm with duty at its ceiling, where no command is known, on matching and
on wrong parts: common practice; of 243 simulated drives with boost in order five have any, 0.06 at the most."""


class Underboost(BoostHypothesis):
    """Nothing left to give."""

    name, short, quantity, above = "underboost", "boost short, nothing left", "below command", False
    alone = "with duty at its ceiling, of the time above 3800 rpm"
    title = "boost falls short of its command with nothing left to give"
    log_prior = -1.8
    codes, codes_against = UNDERBOOST | {"P2261", "P2263"}, OVERBOOST
    danger, explains = 6, ("underboost",)
    settles = "Put the charge pipes under pressure with the engine off; then check the actuator's preload."
    plain = "the turbocharger gives less than it is asked for, with nothing left in reserve"
    remedy = "Have hoses, actuator and turbocharger looked at before anything is recalibrated."
    repair = True

    def symptom(self, figures: BoostFigures) -> Symptom | None:
        if figures.alone:
            if isnan(figures.ceiling):
                return None
            weight = bayes_factor(figures.ceiling, ALONE, ALONE_WRONG, figures.pulls)
            return Symptom(weight, figures.ceiling, ALONE)
        if not isnan(figures.short):
            weight = bayes_factor(min(figures.short, 0.0), SHORT, SHORT_WRONG, figures.pulls)
            return Symptom(weight, figures.short, spread_over([r.short_share for r in figures.responses], SHORT))
        if not figures.reached:
            return None
        steady = min(figures.steady, 0.0)
        weight = bayes_factor(steady, STEADY, STEADY_WRONG, figures.pulls) - NOT_SHORT
        return Symptom(weight, steady, spread_over([r.steady_share for r in figures.reached], STEADY))

    def reasons_for(self, judged: Judged, facts: Facts) -> Iterator[str]:
        boost = facts.boost
        if boost.alone:
            yield f"solenoid duty stood at its ceiling for {100.0 * boost.ceiling:.0f} % of the time above 3800 rpm"
            return
        short = boost.pulls - len(boost.reached)
        if short:
            yield f"command was not reached in {short} of {boost.pulls} pulls"
        ceilings = [r.at_ceiling for r in boost.responses if not isnan(r.at_ceiling)]
        if ceilings and float(np.mean(ceilings)) > CEILING:
            yield f"solenoid duty stood at its ceiling for {100.0 * float(np.mean(ceilings)):.0f} % of the time"


HYPOTHESIS = Underboost()
