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

from collections.abc import Callable
from dataclasses import dataclass
from math import erf, inf, log, pi, sqrt

import numpy as np

from livewatch.signature.readings import Column

__all__ = ["Effect", "Fit", "Whitened", "combined"]

STARTS = (-2.5, -1.5, -0.8, -0.4, -0.15, 0.02, 0.15, 0.4, 0.8, 1.5, 2.5)
"""Sizes tried first, in spreads."""

Mean = Callable[[float], Column]


@dataclass(frozen=True, slots=True, eq=False)
class Effect:
    """What a cause of some size does to the observations.

    Attributes:
        mean: size to float64 (n,), 0 everywhere for size 0; `slope` its derivative.
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
        self._factor = np.linalg.cholesky(covariance)
        self._inverse = np.linalg.inv(self._factor)
        self.y = self._inverse @ y
        self.square = float(self.y @ self.y)

    def __call__(self, column: Column) -> Column:
        """A column whitened the same way."""
        whitened: Column = self._inverse @ column
        return whitened

    def log_likelihood(self) -> float:
        """Of the observations when nothing is wrong."""
        n = len(self.y)
        return -0.5 * (self.square + n * log(2.0 * pi)) - float(np.log(np.diag(self._factor)).sum())

    def _misfit(self, effect: Effect, precision: float, size: float) -> float:
        rest = self.y - self(effect.mean(size))
        return float(rest @ rest) + precision * size * size

    def _start(self, effect: Effect, precision: float) -> float:
        """The best of a few sizes, so that Newton's method begins on the right side."""
        sizes = [share * effect.spread for share in STARTS if share * effect.spread >= effect.low]
        return min(sizes, key=lambda size: self._misfit(effect, precision, size))

    def fit(self, effect: Effect) -> Fit:
        """Fit one effect."""
        precision = 1.0 / effect.spread**2
        size = 0.0 if effect.linear else self._start(effect, precision)
        for _ in range(12):
            mean, slope = self(effect.mean(size)), self(effect.slope(size))
            rest = self.y - mean
            curvature = float(slope @ slope) + precision
            step = (float(slope @ rest) - precision * size) / curvature
            new = max(size + step, effect.low)
            if not effect.linear and self._misfit(effect, precision, new) > self._misfit(effect, precision, size):
                new = (new + size) / 2.0
            done = abs(new - size) < 1e-5 * effect.spread
            size = new
            if done:
                break
        mean, slope = self(effect.mean(size)), self(effect.slope(size))
        rest = self.y - mean
        gradient = float(slope @ rest) - precision * size
        curvature = float(slope @ slope) + precision
        gain = 0.5 * (self.square - float(rest @ rest)) - 0.5 * precision * size * size
        weight = gain + 0.5 * log(precision / curvature)
        deviation = 1.0 / sqrt(curvature)
        if effect.low == 0.0:
            # The prior lies on one side only, and so does what is left of the posterior.
            centre = gradient / curvature if size <= 0.0 else size
            weight += log(2.0) + _log_above_zero(centre / deviation)
            if size <= 0.0:
                weight += 0.5 * gradient * gradient / curvature
        return Fit(size, deviation, weight)


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
