"""What the causes of boost have in common: sizes as shares of commanded boost, from what every pull shows."""

from __future__ import annotations

from collections.abc import Iterator
from math import isnan, log, sqrt
from typing import ClassVar

from livewatch.data.middle import median
from livewatch.signature.causes.facts import Facts
from livewatch.signature.causes.hypothesis import Grounds, Hypothesis, Judged
from livewatch.signature.estimates import Estimate, band_of, mapped

__all__ = ["CUT_WEIGHT", "BoostHypothesis", "bayes_factor"]

CUT_WEIGHT = 3.0
"""Weight (logarithm of the Bayes factor) of one overboost fuel cut; common practice."""
PULLS_ENOUGH = 3
"""Pulls below which what they show may be chance; common practice."""


class BoostHypothesis(Hypothesis):
    """Args as in `Hypothesis`; `quantity` says what its size is, `alone` the same without a command, `above` whether it
    is above the command."""

    family = "boost"
    systems = ("boost",)
    danger = 2
    explains: ClassVar[tuple[str, ...]] = ("overboost", "knock_retard")
    quantity: ClassVar[str]
    alone: ClassVar[str] = ""
    above: ClassVar[bool] = True

    def estimates(self, judged: Judged, grounds: Grounds) -> list[Estimate]:
        band, above = band_of(judged.fit), self.above
        if not grounds.responses:
            return [] if isnan(judged.fit.size) else [mapped(self.alone, "%", band, lambda s: 100.0 * max(0.0, s))]
        asked = median([one.asked for one in grounds.responses])
        return [
            mapped(self.quantity, "%", band, lambda s: 100.0 * s if above else 100.0 * max(0.0, -s)),
            mapped(self.quantity, "kPa", band, lambda s: asked * (s if above else max(0.0, -s))),
        ]

    def reasons_for(self, judged: Judged, facts: Facts) -> Iterator[str]:
        return iter(())

    def reasons_against(self, judged: Judged, facts: Facts) -> Iterator[str]:
        if 0 < facts.boost.pulls < PULLS_ENOUGH:
            yield f"only {facts.boost.pulls} pull(s): one may be chance"
        if facts.boost.alone:
            yield "no command is known: how far boost is from it cannot be said"

    def cuts_for(self, facts: Facts) -> Iterator[str]:
        """What fuel cuts say for it."""
        boost = facts.boost
        if boost.pulls and boost.cuts:
            where = "with the pressure at its highest" if boost.alone else "above command"
            yield f"the fuel was cut {where} in {boost.cuts} of {boost.pulls} pulls"


def bayes_factor(value: float, spread: float, wrong: float, pulls: int) -> float:
    """Logarithm of the Bayes factor of one figure: normal with the wider spread against the everyday one. One pull
    alone may be chance: the everyday spread is that of a mean over a few."""
    if isnan(value):
        return 0.0
    everyday = spread * sqrt(1.0 + 1.0 / pulls)
    wide = sqrt(everyday**2 + wrong**2)
    return 0.5 * value * value * (1.0 / everyday**2 - 1.0 / wide**2) - log(wide / everyday)
