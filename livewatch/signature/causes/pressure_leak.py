"""Air leaks out between compressor and throttle: nothing at idle, richer the higher the boost."""

from __future__ import annotations

from collections.abc import Iterator
from math import log

import numpy as np

from livewatch.data.physics import gap_share, leak_share
from livewatch.signature.causes.codes import LOADS, OVERBOOST, UNDERBOOST
from livewatch.signature.causes.facts import FLAT, Facts
from livewatch.signature.causes.hypothesis import Grounds, Hypothesis, Judged, Variant, air_side, logarithmic
from livewatch.signature.causes.leak_sizes import begun, pressure_leak
from livewatch.signature.estimates import Estimate
from livewatch.signature.evidence.observations import Observations
from livewatch.signature.evidence.settled import PointMaker

__all__ = ["HYPOTHESIS"]

SPREAD, WIDE = 16.0, 48.0
"""g/s of choked flow through the hole beforehand, for two litres of displacement; and through what is open where a hose
is half off: a hole of 19 mm; common practice."""
OFFSETS, LIKELIEST_OFFSET = (0.0, 0.3, 0.6, 1.2, 1.8, 2.4, 3.0, 3.8, 4.8), 0.3
"""kPa by which the sensor before the throttle may read above the barometer, sound up to 1.5 % of 300 kPa (common
practice); decides the leak at light load."""
GAP_OFFSETS = (0.0, 0.6, 1.2, 2.4, 3.8)
"""The same for a gap, which asks for fewer of them: little goes through it at little pressure."""
FIRST = 2
"""How many of either are tried for what is wide open, which shows at light load whatever the sensor says; no source."""
PLAINLY_LOST = 0.2
"""Share of the metered air; common practice."""


class PressureLeak(Hypothesis):
    """Metered air is lost on the way."""

    name, family, short = "pressure_leak", "air leak", "air leak under boost"
    title = "air leaks out between compressor and throttle, under boost"
    log_prior = -1.5
    systems, explains = ("fuel under load",), ("underboost",)
    codes, codes_against = frozenset({"P2261", "P2279"}) | UNDERBOOST, OVERBOOST
    mixture, loads = "rich", LOADS[2:]
    settles = "Put the charge pipes under pressure with the engine off and listen for air."
    plain = "air escapes between turbocharger and engine once there is boost"
    remedy = "Find the loose hose or the crack and mend it. Another calibration is not the remedy."
    repair = True

    def variants(self, seen: Observations, maker: PointMaker) -> Iterator[Variant]:
        if not (maker.boosted and maker.metered):
            return
        sign, air = air_side(seen, maker), np.maximum(seen.of("air"), 0.3)
        shapes = (leak_share, OFFSETS), (gap_share, GAP_OFFSETS)
        for spread, share, offsets in ((s, *shape) for s in (SPREAD, WIDE) for shape in shapes):
            for offset in offsets if spread == SPREAD else offsets[:FIRST]:
                out = np.maximum(0.0, np.nan_to_num(-share(seen.of("boost") - offset, seen.of("outside")))) / air
                effect = logarithmic(sign, -out, spread * (maker.displacement / 2.0), 0.0)
                yield Variant(self.name, effect, offset, -log(4.0 * len(offsets)))
                if spread == SPREAD and share is leak_share and offset == LIKELIEST_OFFSET:
                    yield from begun(seen, self.name, effect)  # A hose that comes off leaves a hole.

    def estimates(self, judged: Judged, grounds: Grounds) -> list[Estimate]:
        return pressure_leak(judged, grounds.seen, grounds.responses)

    def reasons_for(self, judged: Judged, facts: Facts) -> Iterator[str]:
        yield facts.pattern
        if facts.high < facts.light - FLAT:
            yield "richer under boost than below it: metered air is lost on the way"
        if facts.boost.air_lost > PLAINLY_LOST:
            times = 1.0 / (1.0 - min(facts.boost.air_lost, 0.99))
            rose = f"metered air rose, at once, to {times:.1f} times what the engine took in"
            yield f"in one pull {rose}: something opened"

    def reasons_against(self, judged: Judged, facts: Facts) -> Iterator[str]:
        if not facts.metered:
            yield "without an air meter a leak before the throttle shows as boost that falls short, and as nothing else"


HYPOTHESIS = PressureLeak()
