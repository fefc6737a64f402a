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

from collections.abc import Sequence
from copy import copy
from dataclasses import dataclass
from math import erf, log, pi, sqrt

import numpy as np
from numpy.typing import NDArray

from livewatch.signature.effect import Effect, Effects
from livewatch.signature.evidence.readings import Column

__all__ = ["Fit", "Whitened", "combined"]

STARTS = (-2.5, -1.5, -0.8, -0.4, -0.15, 0.02, 0.15, 0.4, 0.8, 1.5, 2.5)
"""Sizes tried first, in spreads."""


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
        factor: Column = np.asarray(np.linalg.cholesky(covariance), np.float64)
        self._level = float(np.log(np.diag(factor)).sum())
        self._inverse = np.zeros_like(factor)
        _invert_lower(factor, self._inverse)
        self._tried: dict[tuple[Effect, ...], tuple[NDArray[np.int64], Column, Column]] = {}
        self._take(y)

    def _take(self, y: Column) -> None:
        self.y: Column = self._inverse @ y
        self.square = float(self.y @ self.y)
        self._alone: dict[Effect, tuple[Fit, Column]] = {}

    def of(self, y: Column) -> Whitened:
        """Other observations with the same covariance."""
        other = copy(self)
        other._take(y)
        return other

    def __call__(self, rows: Column) -> Column:
        """Rows, float64 (k, n), whitened the same way."""
        whitened: Column = rows @ self._inverse.T
        return whitened

    def log_likelihood(self) -> float:
        """Of the observations when nothing is wrong."""
        n = len(self.y)
        return -0.5 * (self.square + n * log(2.0 * pi)) - self._level

    def fit(self, effect: Effect) -> Fit:
        """Fit one effect."""
        return self.fits([effect])[0]

    def fits(self, effects: Sequence[Effect]) -> list[Fit]:
        """Fit each effect on its own: all at a time, and each once."""
        self._fit_new([effect for effect in effects if effect not in self._alone])
        return [self._alone[effect][0] for effect in effects]

    def means(self, effects: Sequence[Effect]) -> Column:
        """What each does with the size that fits best on its own, float64 (effects, n), whitened."""
        return np.array([self._alone[effect][1] for effect in effects])

    def tried(self, effects: Sequence[Effect]) -> tuple[NDArray[np.int64], Column, Column]:
        """A few sizes over the range of each effect: which it is of, float64 (k,) sizes and (k, n) whitened means."""
        found = self._tried.get(tuple(effects))
        if found is None:
            sizes = [np.array(STARTS) * effect.spread for effect in effects]
            sizes = [some[some >= effect.low] for some, effect in zip(sizes, effects, strict=True)]
            owner = np.repeat(np.arange(len(effects)), [len(some) for some in sizes])
            rows = [effect.mean(some[:, None]) for some, effect in zip(sizes, effects, strict=True)]
            found = self._tried[tuple(effects)] = owner, np.concatenate(sizes), self(np.concatenate(rows))
        return found

    def _fit_new(self, effects: Sequence[Effect]) -> None:
        if not effects:
            return
        spread, low = (np.array([getattr(effect, name) for effect in effects]) for name in ("spread", "low"))
        linear = np.array([effect.linear for effect in effects])
        precision = 1.0 / spread**2
        size = self._starts(effects, precision)
        everything = shapes = Effects(effects)
        mean = self(shapes.means(size))
        left = np.arange(len(effects))
        for _ in range(12):
            now, prior, straight = size[left], precision[left], linear[left]
            slope = self(shapes.slopes(now))
            step = ((slope * (self.y - mean[left])).sum(axis=1) - prior * now) / ((slope * slope).sum(axis=1) + prior)
            new = np.maximum(now + step, low[left])
            there = self(shapes.means(new))
            worse = ~straight & (self._misfit(there, prior, new) > self._misfit(mean[left], prior, now))
            if worse.any():
                new[worse] = (new[worse] + now[worse]) / 2.0
                there[worse] = self(Effects([effects[k] for k in left[worse].tolist()]).means(new[worse]))
            size[left], mean[left] = new, there
            going = np.abs(new - now) >= 1e-5 * spread[left]
            if not going.all():
                left = left[going]
                shapes = Effects([effects[k] for k in left.tolist()])
            if not len(left):
                break
        slope, rest = self(everything.slopes(size)), self.y - mean
        gradient = (slope * rest).sum(axis=1) - precision * size
        curvature = (slope * slope).sum(axis=1) + precision
        gain = 0.5 * (self.square - (rest * rest).sum(axis=1)) - 0.5 * precision * size * size
        weight = gain + 0.5 * np.log(precision / curvature)
        found = zip(low.tolist(), *(column.tolist() for column in (size, gradient, curvature, weight)), strict=True)
        for effect, one, row in zip(effects, found, mean, strict=True):
            self._alone[effect] = _fit(*one), row

    def _misfit(self, mean: Column, precision: Column, size: Column) -> Column:
        """What is left of the observations, and the price of the size, for each row."""
        rest = self.y - mean
        misfit: Column = (rest * rest).sum(axis=-1) + precision * size * size
        return misfit

    def _starts(self, effects: Sequence[Effect], precision: Column) -> Column:
        """For each effect the best of a few sizes, so that Newton's method begins on the right side."""
        start = np.zeros(len(effects))
        bent = [k for k, effect in enumerate(effects) if not effect.linear]
        if bent:
            owner, sizes, rows = self.tried([effects[k] for k in bent])
            misfit = self._misfit(rows, precision[bent][owner], sizes)
            first = np.searchsorted(owner, np.arange(len(bent) + 1))
            for number, k in enumerate(bent):
                at = slice(int(first[number]), int(first[number + 1]))
                start[k] = sizes[at][np.argmin(misfit[at])]
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


def _invert_lower(factor: Column, inverse: Column) -> None:
    """Write the inverse of a lower triangular matrix into `inverse`, which is 0, by halves: that of its lower left part
    follows from both others."""
    half = len(factor) // 2
    if half < 16:
        inverse[...] = np.linalg.inv(factor)
        return
    above, below = inverse[:half, :half], inverse[half:, half:]
    _invert_lower(factor[:half, :half], above)
    _invert_lower(factor[half:, half:], below)
    inverse[half:, :half] = -below @ (factor[half:, :half] @ above)


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
