"""The points that causes were fitted to, one by one: for a plot of a drive's evidence, and to compare drives.

Observations and the judged causes come in; `FittedPoints` go out: what was seen at each operating region and stretch of
the drive, and what each cause takes of it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from livewatch.signature.cause import effects_of
from livewatch.signature.causes.hypothesis import Judged
from livewatch.signature.evidence.gathering import FEW, LESSER, VISIT
from livewatch.signature.evidence.observations import Observations
from livewatch.signature.evidence.readings import Column

__all__ = ["FittedPoints", "points_of"]

KINDS = ("need_1", "need_2", "ratio", "supply")


@dataclass(frozen=True, slots=True, eq=False)
class FittedPoints:
    """n points, each a plain ratio that is 1 where all is right.

    Attributes:
        kind: str (n,): need_1, need_2, ratio (metered over speed-density air, or over a baseline's), supply (pressure
            across the injectors over that commanded).
        cell: int64 (n, 2), which region: bins of speed and of air flow, as in `evidence`.
        speed, air: float64 (n,), rpm and g/s.
        value, deviation: float64 (n,), the ratio, and the standard deviation of its logarithm between
            visits on one car with one fuel.
        visits: float64 (n,).
        lesser: bool (n,), whether it is a moment of full load or driving with purge, which counts a little.
        effects: by name of a cause, float64 (n,), the factor that it makes of each value.
    """

    kind: NDArray[np.str_]
    cell: NDArray[np.int64]
    speed: Column
    air: Column
    value: Column
    deviation: Column
    visits: Column
    lesser: NDArray[np.bool_]
    effects: Mapping[str, Column]

    def of(self, *kinds: str) -> NDArray[np.bool_]:
        """Which points are of one of the kinds."""
        return np.isin(self.kind, kinds)

    def __len__(self) -> int:
        return len(self.value)


def points_of(seen: Observations, judged: Sequence[Judged]) -> FittedPoints:
    """The points of a drive, and what each of the `judged` causes takes of them."""
    at = np.isin(seen.kind, KINDS)
    row, regions = seen.row[at], seen.regions
    visits, lesser = regions.visits[row], regions.lesser[row]
    effects = {
        one.cause: np.exp(effects_of(one, at, np.array([one.fit.size]))[0])
        for one in judged
        if one.variants and np.isfinite(one.fit.size)
    }
    return FittedPoints(
        seen.kind[at],
        np.stack((regions.speed[row], regions.flow[row]), axis=1),
        regions.mean["speed"][row],
        regions.mean["air"][row],
        np.exp(seen.y[at]),
        np.sqrt(VISIT**2 / visits + (FEW / visits) ** 2 + (LESSER * lesser) ** 2),
        visits,
        lesser,
        effects,
    )
