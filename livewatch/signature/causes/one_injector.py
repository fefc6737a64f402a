"""One injector that gives less than the others of its bank: need like that of all, and a lambda that moves.

What one injector lacks comes by the lambda sensor once in two turns. Exhaust and sensor smooth it, but not wholly: the
imbalance of cylinders that computers watch for (title 13 of the California Code of Regulations, section 1968.2 (e)(6),
from memory) is seen in just that. A shape that all injectors of a bank make comes in; both go out as variants.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import log
from typing import Any

import numpy as np

from livewatch.signature.causes.hypothesis import Variant
from livewatch.signature.effect import Effect
from livewatch.signature.evidence.gathering import USUAL_RIPPLE
from livewatch.signature.evidence.observations import Observations
from livewatch.signature.evidence.readings import Column
from livewatch.signature.evidence.settled import PointMaker

__all__ = ["of_all_or_one"]

PULSES = 0.015
"""How much lambda moves from look to look for each share that one injector lacks. At 2000 rpm a cycle comes 17 times a
second; what one of four lacks is there a deviation of 0.43 of it, of which a sensor of 0.12 s leaves a thirteenth
(first-order lag), and the mixing before it about half; the mean of absolute values is 0.8 of a deviation. Common
practice."""
ALONE = 0.3
"""How often it is one injector, not all; a judgement."""
SPREAD = 0.10
"""Of the logarithm of need beforehand; common practice."""


@dataclass(frozen=True, slots=True, eq=False)
class OneInjector:
    """Size is the logarithm of need of the bank, above 0."""

    need: Column
    ripple: Column

    def mean(self, size: Any) -> Column:
        """size on need, and more movement of lambda."""
        moved: Column = size * self.need + np.log1p(size * self.ripple)
        return moved

    def slope(self, size: Any) -> Column:
        """Its derivative."""
        rate: Column = self.need + self.ripple / (1.0 + size * self.ripple)
        return rate


def of_all_or_one(
    cause: str, seen: Observations, maker: PointMaker, alike: Effect, bank: int, weight: float = 0.0
) -> Iterator[Variant]:
    """What all injectors of a bank do, and what one of them does where the movement of lambda tells that apart, marked
    by a negative bank. `weight`: logarithm of the share of both together."""
    need, ripple = seen.on(f"need_{bank}"), seen.on(f"ripple_{bank}")
    if not ripple.any():
        yield Variant(cause, alike, float(bank), weight)
        return
    each = maker.cylinders / maker.banks
    one = OneInjector(need, ripple * PULSES * each / USUAL_RIPPLE)
    yield Variant(cause, alike, float(bank), weight + log(1.0 - ALONE))
    yield Variant(cause, Effect(one.mean, one.slope, SPREAD, 0.0), float(-bank), weight + log(ALONE))
