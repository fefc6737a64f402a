"""Air leaks in behind the air meter: the error falls as 1 / air flow, largest at idle, gone under boost."""

from __future__ import annotations

from collections.abc import Iterator
from math import log

import numpy as np

from livewatch.signature.causes.codes import LOADS
from livewatch.signature.causes.facts import FLAT, Facts
from livewatch.signature.causes.hypothesis import Grounds, Hypothesis, Judged, Variant, air_side
from livewatch.signature.causes.leak_sizes import begun, vacuum_leak
from livewatch.signature.effect import MOST_TAKEN, Bend, bent
from livewatch.signature.estimates import Estimate
from livewatch.signature.evidence.gathering import idle_at
from livewatch.signature.evidence.observations import Observations
from livewatch.signature.evidence.settled import PointMaker

__all__ = ["HYPOTHESIS", "TAKEN_AWAY"]

SPREAD = 1.8
"""g/s of air let in at idle beforehand, for two litres of displacement; common practice."""
TAKEN_AWAY, ADDED = -0.12, 0.05
"""Idle air correction, a share, that speaks for a leak, and against one; common practice."""


class VacuumLeak(Hypothesis):
    """Air that comes in behind the meter; at idle the controller shuts the throttle by as much."""

    name, family, short = "vacuum_leak", "air leak", "air leak under vacuum"
    title = "air leaks in behind the air meter, under vacuum"
    log_prior = -1.5
    systems, danger, explains, carried = ("fuel at part load",), 5, (), 1
    codes = frozenset({"P0068", "P0507", "P2279", "P2282"})
    mixture, loads = "lean", LOADS[:2]
    settles = "Put smoke into the intake with the engine off; listen at the gaskets and hoses."
    plain = "air gets into the engine past its sensor, most at idle"
    remedy = "Find and mend the leak. Another calibration is not the remedy."
    repair = True

    def variants(self, seen: Observations, maker: PointMaker) -> Iterator[Variant]:
        inwards = np.nan_to_num(seen.of("vacuum")) / np.maximum(seen.of("air"), 0.3)
        sign, spread = air_side(seen, maker), SPREAD * (maker.displacement / 2.0)
        thin = np.nan_to_num(idle_at(seen.of("outside")))
        most = np.minimum(maker.idle_authority + thin, MOST_TAKEN)
        effect = bent(Bend(sign, inwards, seen.on("idle"), maker.metered, most), spread, 0.0)
        yield Variant(self.name, effect, 0.0, -log(2.0))
        yield from begun(seen, self.name, effect)

    def estimates(self, judged: Judged, grounds: Grounds) -> list[Estimate]:
        return vacuum_leak(judged, grounds.seen)

    def reasons_for(self, judged: Judged, facts: Facts) -> Iterator[str]:
        yield facts.pattern
        if facts.idle > facts.light + FLAT:
            yield "lean at idle, and going away with more air"
        if facts.idle_correction < 100.0 * TAKEN_AWAY:
            yield f"the idle controller takes {-facts.idle_correction:.0f} % of the air away: it comes in elsewhere"

    def reasons_against(self, judged: Judged, facts: Facts) -> Iterator[str]:
        if facts.idle < facts.light + 1.0:
            yield "idle is no leaner than light load"
        if facts.idle_correction > 100.0 * ADDED:
            yield f"the idle controller adds air ({facts.idle_correction:+.0f} %) where a leak would make it take away"


HYPOTHESIS = VacuumLeak()
