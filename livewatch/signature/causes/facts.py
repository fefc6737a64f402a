"""The pattern a specialist would look at first, and the sentences that several causes say of it.

Need at idle, light, middle and high load, metered over speed-density air, fuel pressure, idle correction and noise of
the meter come from the coverage and the observations; `Facts` go out.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import exp, isnan, nan

import numpy as np

from livewatch.data.middle import median
from livewatch.signature.evidence.boost_figures import BoostFigures
from livewatch.signature.evidence.coverage import Coverage
from livewatch.signature.evidence.observations import Observations

__all__ = ["CLEAR", "FLAT", "Facts", "facts_of"]

FLAT, CLEAR = 3.0, 4.0
"""Per cent of need: differences below are none, above are clear. Common practice."""
MOVES = 2.0
"""Times as much as usual from which lambda clearly moves from look to look; common practice."""
UNSURE = 8.0
"""Per cent by which volumetric efficiency may be off so that a baseline is worth asking for; common practice."""


@dataclass(frozen=True, slots=True)
class Facts:
    """Need in % away from 1 (mean of the banks) by load, NaN unknown; ratio in % away from what was expected; `apart`
    the difference between banks in %; `supply` lowest pressure share in %; `idle` correction in %; meter `noise` in %;
    `spread` half the declared range of volumetric efficiency in %; `moves` how many times as much as usual lambda
    moves from look to look; `boost` what the pulls showed."""

    idle: float
    light: float
    middle: float
    high: float
    ratio: float
    apart: float
    supply: float
    idle_correction: float
    noise: float
    boost: BoostFigures
    spread: float
    metered: bool
    moves: float = 1.0

    @property
    def pattern(self) -> str:
        """Need by load in words."""
        parts = [
            f"{value:+.1f} % at {name}"
            for name, value in (
                ("idle", self.idle), ("light load", self.light), ("middle load", self.middle), ("high load", self.high),
            )
            if not isnan(value)
        ]  # fmt: skip
        return "need is " + ", ".join(parts) if parts else "need is not known at any load"

    @property
    def level(self) -> float:
        """Need in % in the middle of all loads."""
        known = self._known()
        return median(known) if known else nan

    @property
    def even(self) -> bool:
        """Whether need is the same at every load."""
        known = self._known()
        return len(known) > 1 and max(known) - min(known) < FLAT

    def _known(self) -> list[float]:
        return [value for value in (self.idle, self.light, self.middle, self.high) if not isnan(value)]

    def the_same_everywhere(self) -> Iterator[str]:
        """For what acts by one factor."""
        if self.even:
            yield "it is the same at every load, within 3 %"

    def not_the_same_everywhere(self) -> Iterator[str]:
        """Against what acts by one factor."""
        if not self.even and not isnan(self.level):
            yield "it is not the same at every load"

    def air_disagrees(self) -> Iterator[str]:
        """For what acts on metered air."""
        if abs(self.ratio) > self.spread / 2.0:
            yield f"metered air is {self.ratio:+.1f} % away from speed-density air"

    def air_agrees(self) -> Iterator[str]:
        """For what does not act on metered air."""
        if abs(self.ratio) < self.spread:
            yield f"metered air agrees with speed-density air ({self.ratio:+.1f} %)"

    def lambda_moves(self) -> Iterator[str]:
        """For one injector that gives less than the others."""
        if self.moves > MOVES:
            yield (
                f"lambda moves {self.moves:.1f} times as much as usual from moment to moment at steady load, as where "
                "one injector gives less than the others"
            )

    def breathing_unsure(self) -> Iterator[str]:
        """Against what only a well-known volumetric efficiency tells apart."""
        if self.spread > UNSURE and self.metered:
            yield (
                f"volumetric efficiency is known to ±{self.spread:.0f} % only: a baseline on matching parts would tell "
                "meter and injectors apart"
            )


def facts_of(seen: Observations, coverage: Coverage, boost: BoostFigures, spread: float, metered: bool) -> Facts:
    """The facts of a drive; `spread` is half the declared range of volumetric efficiency as a share."""
    loads = []
    apart = []
    for group in coverage.groups:
        known = [need for need in group.need if not isnan(need)]
        loads.append(100.0 * (float(np.mean(known)) - 1.0) if known else nan)
        if len(known) == 2:
            apart.append(100.0 * (known[1] - known[0]))
    ratio = seen.y[seen.kind == "ratio"]
    supply = seen.y[seen.kind == "supply"]
    idle = seen.y[seen.kind == "idle"]
    noise = seen.regions.mean["relative_noise"] if len(seen) else np.zeros(0)
    noise = noise[~np.isnan(noise)]
    return Facts(
        loads[0],
        loads[1],
        loads[2],
        loads[3],
        100.0 * (exp(median(ratio)) - 1.0) if len(ratio) else nan,
        float(np.mean(apart)) if apart else nan,
        100.0 * exp(float(supply.min())) if len(supply) else nan,
        100.0 * float(idle[0]) if len(idle) else nan,
        100.0 * median(noise) if len(noise) else nan,
        boost,
        100.0 * spread,
        metered,
        exp(float(seen.y[seen.on("ripple") > 0.0].max(initial=0.0))) if len(seen) else 1.0,
    )
