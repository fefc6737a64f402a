"""The mathematics of comparing explanations: Gaussian evidence, one unknown size each.

Observations y with the covariance C they have when nothing is wrong come in whitened; for each effect a mean mu(size)
is fitted. Out go the size with its spread and the logarithm of the Bayes factor against "nothing is wrong": how many
times more probable the observations are with that cause than without, its size not known beforehand. A cause that
explains no more than it costs in freedom gets a factor below 1 (Jeffreys' simplicity postulate); no threshold is tuned.
With a linear effect the result is exact (generalised least squares with a Gaussian prior: O'Hagan and Forster, Bayesian
Inference, 2004, section 11); else the size is found by Gauss and Newton's method and its neighbourhood taken for
Gaussian (Laplace's approximation).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from copy import copy
from dataclasses import dataclass
from math import erf, inf, log, pi, sqrt
from typing import Any

import numpy as np

from livewatch.signature.evidence.readings import Column

__all__ = ["Effect", "Fit", "Whitened", "combined"]

STARTS = (-2.5, -1.5, -0.8, -0.4, -0.15, 0.02, 0.15, 0.4, 0.8, 1.5, 2.5)
"""Sizes tried first, in spreads."""

Mean = Callable[[Any], Column]


@dataclass(frozen=True, slots=True, eq=False)
class Effect:
    """What a cause of some size does to the observations.

    Attributes:
        mean: size to float64 (n,), 0 everywhere for size 0; sizes (k, 1) to (k, n). `slope` its derivative.
        spread: standard deviation of the size beforehand, around 0.
        low: sizes below make no sense (0 for what is there or not).
        linear: whether the mean goes with the size.
    """

    mean: Mean
    slope: Mean
    spread: float
    low: float = -inf
    linear: bool = False


@dataclass(frozen=True, slots=True)
class Fit:
    """The size that fits best, its standard deviation, and the logarithm of the Bayes factor against nothing wrong."""

    size: float
    deviation: float
    weight: float


class Whitened:
    """Observations made independent and of unit variance.

    Args:
        y, covariance: as in `Observations`; the covariance must be positive definite.
    """

    def __init__(self, y: Column, covariance: Column) -> None:
        self._factor: Column = np.asarray(np.linalg.cholesky(covariance), np.float64)
        self._inverse = _inverse_of_lower(self._factor)
        self.y: Column = self._inverse @ y
        self.square = float(self.y @ self.y)

    def of(self, y: Column) -> Whitened:
        """Other observations with the same covariance."""
        other = copy(self)
        other.y = self._inverse @ y
        other.square = float(other.y @ other.y)
        return other

    def __call__(self, rows: Column) -> Column:
        """Rows, float64 (k, n), whitened the same way."""
        whitened: Column = rows @ self._inverse.T
        return whitened

    def log_likelihood(self) -> float:
        """Of the observations when nothing is wrong."""
        n = len(self.y)
        return -0.5 * (self.square + n * log(2.0 * pi)) - float(np.log(np.diag(self._factor)).sum())

    def fit(self, effect: Effect) -> Fit:
        """Fit one effect."""
        return self.fits([effect])[0]

    def fits(self, effects: Sequence[Effect]) -> list[Fit]:
        """Fit each effect on its own: all at a time, as one product of matrices is faster than many."""
        spread, low = (np.array([getattr(effect, name) for effect in effects]) for name in ("spread", "low"))
        linear = np.array([effect.linear for effect in effects])
        precision = 1.0 / spread**2
        size = self._starts(effects, precision)
        mean = self._means(effects, size)
        left = np.arange(len(effects))
        for _ in range(12):
            chosen = [effects[k] for k in left.tolist()]
            now, prior, straight = size[left], precision[left], linear[left]
            slope = self._slopes(chosen, now)
            step = ((slope * (self.y - mean[left])).sum(axis=1) - prior * now) / ((slope * slope).sum(axis=1) + prior)
            new = np.maximum(now + step, low[left])
            there = self._means(chosen, new)
            worse = ~straight & (self._misfit(there, prior, new) > self._misfit(mean[left], prior, now))
            if worse.any():
                new[worse] = (new[worse] + now[worse]) / 2.0
                there[worse] = self._means([chosen[k] for k in np.flatnonzero(worse).tolist()], new[worse])
            size[left], mean[left] = new, there
            left = left[np.abs(new - now) >= 1e-5 * spread[left]]
            if not len(left):
                break
        slope, rest = self._slopes(effects, size), self.y - mean
        gradient = (slope * rest).sum(axis=1) - precision * size
        curvature = (slope * slope).sum(axis=1) + precision
        gain = 0.5 * (self.square - (rest * rest).sum(axis=1)) - 0.5 * precision * size * size
        weight = gain + 0.5 * np.log(precision / curvature)
        found = zip(low.tolist(), *(column.tolist() for column in (size, gradient, curvature, weight)), strict=True)
        return [_fit(*one) for one in found]

    def _means(self, effects: Sequence[Effect], sizes: Column) -> Column:
        return self(np.array([effect.mean(size) for effect, size in zip(effects, sizes.tolist(), strict=True)]))

    def _slopes(self, effects: Sequence[Effect], sizes: Column) -> Column:
        return self(np.array([effect.slope(size) for effect, size in zip(effects, sizes.tolist(), strict=True)]))

    def _misfit(self, mean: Column, precision: Column, size: Column) -> Column:
        """What is left of the observations, and the price of the size, for each row."""
        rest = self.y - mean
        misfit: Column = (rest * rest).sum(axis=-1) + precision * size * size
        return misfit

    def _starts(self, effects: Sequence[Effect], precision: Column) -> Column:
        """For each effect the best of a few sizes, so that Newton's method begins on the right side."""
        start = np.zeros(len(effects))
        for k, effect in enumerate(effects):
            if not effect.linear:
                sizes = np.array(STARTS) * effect.spread
                sizes = sizes[sizes >= effect.low]
                misfit = self._misfit(self(effect.mean(sizes[:, None])), precision[k], sizes)
                start[k] = sizes[np.argmin(misfit)]
        return start


def _fit(low: float, size: float, gradient: float, curvature: float, weight: float) -> Fit:
    deviation = 1.0 / sqrt(curvature)
    if low == 0.0:
        # The prior lies on one side only, and so does what is left of the posterior.
        centre = gradient / curvature if size <= 0.0 else size
        weight += log(2.0) + _log_above_zero(centre / deviation)
        if size <= 0.0:
            weight += 0.5 * gradient * gradient / curvature
    return Fit(size, deviation, weight)


def _inverse_of_lower(factor: Column) -> Column:
    """The inverse of a lower triangular matrix, by halves: that of its lower left part follows from both others."""
    half = len(factor) // 2
    if half < 16:
        return np.asarray(np.linalg.inv(factor), np.float64)
    above, below = _inverse_of_lower(factor[:half, :half]), _inverse_of_lower(factor[half:, half:])
    inverse = np.zeros_like(factor)
    inverse[:half, :half], inverse[half:, half:] = above, below
    inverse[half:, :half] = -below @ (factor[half:, :half] @ above)
    return inverse


def _log_above_zero(z: float) -> float:
    """Logarithm of the probability that a normal variable z deviations above 0 is positive."""
    if z < -6.0:
        return -0.5 * z * z - log(-z * sqrt(2.0 * pi))
    return log(max(0.5 * (1.0 + erf(z / sqrt(2.0))), 1e-300))


def combined(fits: list[Fit], weights: list[float] | None = None) -> tuple[Fit, list[float]]:
    """Alternatives of one cause (unknown shapes, equally probable beforehand unless `weights` (logarithms) say
    otherwise) as one fit, and the probability of each: sizes averaged with those, spreads and their scatter added."""
    logs = np.array([fit.weight for fit in fits]) + (np.array(weights) if weights else -log(len(fits)))
    most = float(logs.max())
    share = np.exp(logs - most)
    total = float(share.sum())
    share = share / total
    size = float(sum(p * fit.size for p, fit in zip(share, fits, strict=True)))
    variance = float(sum(p * (fit.deviation**2 + (fit.size - size) ** 2) for p, fit in zip(share, fits, strict=True)))
    return Fit(size, sqrt(variance), most + log(total)), share.tolist()
