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
from itertools import pairwise
from math import erf, log, pi, sqrt

import numpy as np
from numpy.typing import NDArray

from livewatch.signature.effect import Effect, Effects
from livewatch.signature.evidence.readings import Column

__all__ = ["Fit", "Whitened", "combined", "squares"]

STARTS = (-2.5, -1.5, -0.8, -0.4, -0.15, 0.02, 0.15, 0.4, 0.8, 1.5, 2.5)
"""Sizes tried first, in spreads."""


@dataclass(frozen=True, slots=True)
class Fit:
    """The size that fits best, its standard deviation, and the logarithm of the Bayes factor against nothing wrong."""

    size: float
    deviation: float
    weight: float


@dataclass(frozen=True, slots=True, eq=False)
class Tried:
    """k sizes of several effects: which effect each is of, int64 (k,), the sizes, the whitened means, float64 (k, n),
    and the squares of those, (k,)."""

    owner: NDArray[np.int64]
    size: Column
    rows: Column
    square: Column


class Whitened:
    """Observations made independent and of unit variance.

    Args:
        y, covariance: as in `Observations`; the covariance must be positive definite.
        like: others of which the same effects are asked: what was worked out for them is not worked out again.
    """

    def __init__(self, y: Column, covariance: Column, like: Whitened | None = None) -> None:
        self._inverse = np.zeros_like(covariance)
        self._level = _invert_factor(covariance, self._inverse)
        self._plain: dict[tuple[Effect, ...], tuple[NDArray[np.int64], Column, Column]] = like._plain if like else {}
        self._tried: dict[tuple[Effect, ...], Tried] = {}
        self._take(y)

    def _take(self, y: Column) -> None:
        self.y: Column = self._inverse @ y
        self.square = float(self.y @ self.y)
        self._alone: dict[Effect, tuple[float, Column]] = {}
        self._fits: dict[Effect, Fit] = {}

    def of(self, y: Column) -> Whitened:
        """Other observations with the same covariance."""
        other = copy(self)
        other._take(y)
        return other

    def __call__(self, rows: Column) -> Column:
        """Rows, float64 (k, n), whitened the same way."""
        half = len(self.y) // 2
        whitened = np.empty_like(rows)
        # The upper right quarter of the inverse is 0.
        np.matmul(rows[:, :half], self._inverse[:half, :half].T, out=whitened[:, :half])
        np.matmul(rows, self._inverse[half:].T, out=whitened[:, half:])
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
        new = [effect for effect in effects if effect not in self._fits]
        if new:
            size, mean = self.alone(new)
            self._fits.update(zip(new, self._weighed(new, size, mean), strict=True))
        return [self._fits[effect] for effect in effects]

    def alone(self, effects: Sequence[Effect]) -> tuple[Column, Column]:
        """The size of each that fits best on its own, float64 (k,), and what it does then, (k, n), whitened."""
        new = [effect for effect in effects if effect not in self._alone]
        for linear, settle in ((False, self._settled), (True, self._straight)):
            some = [effect for effect in new if effect.linear is linear]
            if some:
                self._alone.update(zip(some, zip(*settle(some), strict=True), strict=True))
        found = [self._alone[effect] for effect in effects]
        return np.array([size for size, _ in found]), np.array([mean for _, mean in found])

    def tried(self, effects: Sequence[Effect]) -> Tried:
        """A few sizes over the range of each effect."""
        key = tuple(effects)
        found = self._tried.get(key)
        if found is None:
            if key not in self._plain:
                self._plain[key] = _some_sizes(effects)
            owner, size, means = self._plain[key]
            rows = self(means)
            found = self._tried[key] = Tried(owner, size, rows, squares(rows))
        return found

    def _straight(self, effects: Sequence[Effect]) -> tuple[list[float], Column]:
        """Sizes and means of effects that go with their size: worked out in full."""
        slope = self(Effects(effects).slopes(np.ones(len(effects))))
        spread, low = (np.array([getattr(effect, name) for effect in effects]) for name in ("spread", "low"))
        size = np.maximum(slope @ self.y / (squares(slope) + 1.0 / spread**2), low)
        return size.tolist(), size[:, None] * slope

    def _settled(self, effects: Sequence[Effect]) -> tuple[list[float], Column]:
        """Sizes and means of effects that bend, by Newton's method."""
        spread, low = (np.array([getattr(effect, name) for effect in effects]) for name in ("spread", "low"))
        precision = 1.0 / spread**2
        size, mean = self._starts(effects, precision)
        shapes = Effects(effects)
        left = np.arange(len(effects))
        for _ in range(12):
            now, prior = size[left], precision[left]
            slope = self(shapes.slopes(now))
            step = ((slope * (self.y - mean[left])).sum(axis=1) - prior * now) / ((slope * slope).sum(axis=1) + prior)
            new = np.maximum(now + step, low[left])
            there = self(shapes.means(new))
            worse = self._misfit(there, prior, new) > self._misfit(mean[left], prior, now)
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
        return size.tolist(), mean

    def _weighed(self, effects: Sequence[Effect], size: Column, mean: Column) -> list[Fit]:
        """The fits of effects at the sizes that fit best."""
        precision = np.array([1.0 / effect.spread**2 for effect in effects])
        slope, rest = self(Effects(effects).slopes(size)), self.y - mean
        gradient = (slope * rest).sum(axis=1) - precision * size
        curvature = (slope * slope).sum(axis=1) + precision
        gain = 0.5 * (self.square - (rest * rest).sum(axis=1)) - 0.5 * precision * size * size
        weight = gain + 0.5 * np.log(precision / curvature)
        found = zip(*(column.tolist() for column in (size, gradient, curvature, weight)), strict=True)
        return [_fit(effect.low, *one) for effect, one in zip(effects, found, strict=True)]

    def _misfit(self, mean: Column, precision: Column, size: Column) -> Column:
        """What is left of the observations, and the price of the size, for each row."""
        rest = self.y - mean
        misfit: Column = (rest * rest).sum(axis=-1) + precision * size * size
        return misfit

    def _starts(self, effects: Sequence[Effect], precision: Column) -> tuple[Column, Column]:
        """For each effect the best of a few sizes, so that Newton's method begins on the right side, and its mean."""
        tried = self.tried(effects)
        misfit = tried.square - 2.0 * (tried.rows @ self.y) + precision[tried.owner] * tried.size**2
        first = np.searchsorted(tried.owner, np.arange(len(effects) + 1)).tolist()
        best = [begin + int(np.argmin(misfit[begin:end])) for begin, end in pairwise(first)]
        return tried.size[best], tried.rows[best]


def _some_sizes(effects: Sequence[Effect]) -> tuple[NDArray[np.int64], Column, Column]:
    """A few sizes over the range of each effect: which effect each is of, the sizes, the means."""
    sizes = [np.array(STARTS) * effect.spread for effect in effects]
    sizes = [some[some >= effect.low] for some, effect in zip(sizes, effects, strict=True)]
    owner = np.repeat(np.arange(len(effects)), [len(some) for some in sizes])
    means = [effect.mean(some[:, None]) for some, effect in zip(sizes, effects, strict=True)]
    return owner, np.concatenate(sizes), np.concatenate(means)


def _fit(low: float, size: float, gradient: float, curvature: float, weight: float) -> Fit:
    deviation = 1.0 / sqrt(curvature)
    if low == 0.0:
        # The prior lies on one side only, and so does what is left of the posterior.
        centre = gradient / curvature if size <= 0.0 else size
        weight += log(2.0) + _log_above_zero(centre / deviation)
        if size <= 0.0:
            weight += 0.5 * gradient * gradient / curvature
    return Fit(size, deviation, weight)


def _invert_factor(covariance: Column, inverse: Column) -> float:
    """Write the inverse of the lower triangular factor of a covariance into `inverse`, which is 0, by halves: what is
    below follows from what is above. Returns the logarithm of the determinant of the factor."""
    half = len(covariance) // 2
    if half < 16:
        factor = np.linalg.cholesky(covariance)
        inverse[...] = np.linalg.inv(factor)
        return float(np.log(np.diag(factor)).sum())
    above, below = inverse[:half, :half], inverse[half:, half:]
    level = _invert_factor(covariance[:half, :half], above)
    across = covariance[half:, :half] @ above.T
    level += _invert_factor(covariance[half:, half:] - across @ across.T, below)
    inverse[half:, :half] = -below @ (across @ above)
    return level


def squares(rows: Column) -> Column:
    """The square of each row, float64 (k,)."""
    found: Column = np.einsum("ij,ij->i", rows, rows)
    return found


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
