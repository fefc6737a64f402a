"""One vector of observations, and what speaks about each of them: what causes are fitted to."""

from __future__ import annotations

from dataclasses import dataclass
from math import nan

import numpy as np
from numpy.typing import NDArray

from livewatch.signature.evidence.evidence import Regions
from livewatch.signature.evidence.readings import Column

__all__ = ["Observations"]


@dataclass(frozen=True, slots=True, eq=False)
class Observations:
    """n observations y and what speaks about them.

    Attributes:
        y: float64 (n,); of need where trims or sensor are at their end, what it usually is beyond.
        covariance: float64 (n, n), of y on a car whose parts match.
        row: int64 (n,), index into `regions`.
        kind: str (n,): need_1, need_2, need_1_open, ratio, supply, idle, ripple_1, ripple_2.
        regions: what the rows point into.
        fuel_shift: what the ethanol sensor says need should be away from 0 if the computer does not correct for it.
        corrected: logarithm of how much more probable it is, by the computer's own fuel rate, that it does correct.
        common: spread of the common factor of need that went into the covariance.
    """

    y: Column
    covariance: Column
    row: NDArray[np.int64]
    kind: NDArray[np.str_]
    regions: Regions
    fuel_shift: float
    corrected: float
    common: float

    def on(self, kind: str) -> Column:
        """1.0 where an observation is of a kind (a prefix of it), else 0.0."""
        return np.char.startswith(self.kind, kind).astype(np.float64)

    def of(self, name: str) -> Column:
        """The mean of a field in the region of each observation."""
        return self.regions.mean[name][self.row]

    def need(self) -> tuple[float, float]:
        """Need over all loads as a logarithm, and its standard deviation: what the trims and lambda show by themselves,
        without what parts may be off beforehand. NaN where none was seen."""
        at = self.on("need") > 0.0
        if not at.any():
            return nan, nan
        inverse = np.linalg.inv(self.covariance[np.ix_(at, at)] - self.common**2 * (1.0 - 1e-6))
        weight = inverse.sum(axis=0)
        return float(weight @ self.y[at] / weight.sum()), float(1.0 / np.sqrt(weight.sum()))

    def __len__(self) -> int:
        return len(self.y)
