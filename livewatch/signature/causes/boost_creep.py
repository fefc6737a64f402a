"""Boost creep: pressure above command, rising with speed, duty already at its floor."""

from __future__ import annotations

from collections.abc import Iterator
from math import isnan

import numpy as np

from livewatch.data.middle import median
from livewatch.signature.causes.boost_hypothesis import CUT_WEIGHT, BoostHypothesis, bayes_factor
from livewatch.signature.causes.codes import OVERBOOST, UNDERBOOST
from livewatch.signature.causes.facts import Facts
from livewatch.signature.causes.hypothesis import Grounds, Judged, Symptom
from livewatch.signature.estimates import Estimate, spread_of
from livewatch.signature.evidence.boost_figures import BoostFigures, spread_over

__all__ = ["HYPOTHESIS"]

LATE, LATE_WRONG = 0.015, 0.15
"""Spread of the excess at the end of a pull, as a share of commanded boost, on matching and on wrong parts: common
practice, and pulls of the simulator's matching cars."""
AT_FLOOR, NOT_RISING = 1.0, 4.0
"""Weights (logarithms): for duty at its floor, and against an excess that does not rise with speed; common practice."""
ALONE, ALONE_WRONG = 0.02, 0.15
"""Spread of the rise at the end of a pull while duty is taken away, where no command is known, as a share of the
pressure: no simulated drive with boost in order rises there."""
PART_OF_PULL, SHOWN = 0.05, 0.03
"""Share of a pull with duty at its floor that counts, and that is worth saying; common practice."""


class BoostCreep(BoostHypothesis):
    """The wastegate passes too little for the freer exhaust."""

    name, short, quantity = "boost_creep", "boost creep", "above command at the end of a pull"
    alone = "rise at the end of a pull while duty is taken away"
    brief = "boost creeps above its command"
    title = f"{brief}: the wastegate passes too little for the freer exhaust"
    log_prior = -1.8
    codes, codes_against = OVERBOOST, UNDERBOOST
    settles = "On a dyno, watch at which speed duty reaches its floor; compare the bore of the wastegate."
    plain = "the exhaust flows so freely that the boost rises above its limit and cannot be held"
    remedy = "A wastegate that passes more, and a boost calibration for this exhaust."

    def symptom(self, figures: BoostFigures) -> Symptom | None:
        if figures.alone:
            if isnan(figures.late) and not figures.cuts:
                return None
            rise = max(figures.late, 0.0)
            weight = bayes_factor(rise, ALONE, ALONE_WRONG, figures.pulls) + CUT_WEIGHT * min(figures.cuts, 3)
            return Symptom(weight - (0.0 if figures.creeping else NOT_RISING), rise, ALONE)
        if not figures.reached:
            return None
        late = max(figures.late, 0.0)
        weight = bayes_factor(late, LATE, LATE_WRONG, len(figures.fast)) + CUT_WEIGHT * min(figures.cuts, 3)
        weight += (AT_FLOOR if figures.floor > PART_OF_PULL else 0.0) - (0.0 if figures.creeping else NOT_RISING)
        return Symptom(weight, late, spread_over([r.late_share for r in figures.fast], LATE))

    def estimates(self, judged: Judged, grounds: Grounds) -> list[Estimate]:
        creep = [r.creep_speed for r in grounds.responses if r.reached and not isnan(r.creep_speed)]
        more = [spread_of("creep begins at", "rpm", creep)] if creep else []
        return super().estimates(judged, grounds) + more

    def reasons_for(self, judged: Judged, facts: Facts) -> Iterator[str]:
        yield from self.cuts_for(facts)
        boost = facts.boost
        if boost.alone and boost.creeping:
            yield f"pressure rises again by {100.0 * boost.late:.0f} % at the end of the pulls while duty is taken away"
        if boost.reached:
            late = median([100.0 * r.late_share for r in boost.fast])
            yield f"{late:.0f} % above command at the end of the pulls, rising with speed"
            if float(np.mean([r.at_floor for r in boost.fast])) > SHOWN:
                yield "solenoid duty is at its floor: control has nothing left to take away"


HYPOTHESIS = BoostCreep()
