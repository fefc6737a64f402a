"""One bank gets less or more fuel than the other: injectors, or a leak, on that side."""

from __future__ import annotations

from collections.abc import Iterator
from math import exp, log

from livewatch.signature.causes.facts import FLAT, Facts
from livewatch.signature.causes.hypothesis import Grounds, Hypothesis, Judged, Variant, linear
from livewatch.signature.causes.one_injector import of_all_or_one
from livewatch.signature.estimates import Estimate, band_of, mapped
from livewatch.signature.evidence.observations import Observations
from livewatch.signature.evidence.settled import PointMaker

__all__ = ["HYPOTHESIS"]

SPREAD = 0.15
"""Of the logarithm of need of one bank over the other beforehand; common practice."""


class OneBank(Hypothesis):
    """The same, on one bank only."""

    name, family, short = "one_bank", "injection", "banks get unequal fuel"
    title = "one bank gets less or more fuel than the other"
    log_prior = -1.5
    danger = 3
    mixture = "either"
    settles = "Exchange two injectors between the banks and see whether the difference moves with them."
    plain = "one side of the engine gets more or less fuel than the other"
    remedy = "Have the injectors of that side measured, and look for an air leak there."
    repair = True
    factor = True

    def variants(self, seen: Observations, maker: PointMaker) -> Iterator[Variant]:
        if maker.banks == 2:
            for bank in (1, 2):
                alike = linear(seen.on(f"need_{bank}"), SPREAD)
                yield from of_all_or_one(self.name, seen, maker, alike, bank, -log(2.0))

    def estimates(self, judged: Judged, grounds: Grounds) -> list[Estimate]:
        bank = abs(max(judged.shapes, key=lambda shape: shape[1])[0] if judged.shapes else judged.unknown)
        what = f"need of bank {bank:.0f} over the other"
        return [mapped(what, "%", band_of(judged.fit), lambda s: 100.0 * (exp(s) - 1.0))]

    def reasons_for(self, judged: Judged, facts: Facts) -> Iterator[str]:
        yield facts.pattern
        if abs(facts.apart) > FLAT:
            yield f"bank 2 needs {facts.apart:+.1f} % more than bank 1"
        yield from facts.lambda_moves()


HYPOTHESIS = OneBank()
