"""A figure with its 95 % interval: how it comes from a fit, and how it reads.

Fitted sizes come in; an `Estimate` goes out, in an engineering unit, in words with as many digits as are known, or as
plain data.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import floor, inf, isnan, log10
from typing import Any

import numpy as np

from livewatch.data.middle import median
from livewatch.signature.inference import Fit

__all__ = ["SIGMAS", "Estimate", "band_of", "mapped", "plain", "spread_of"]

SIGMAS = 1.96


@dataclass(frozen=True, slots=True)
class Estimate:
    """One figure with its 95 % interval, in `unit`: `quantity` says what it is, `place` where, if not everywhere."""

    quantity: str
    value: float
    unit: str
    low: float
    high: float
    place: str = ""

    def __str__(self) -> str:
        return f"{self.what}: unknown" if isnan(self.value) else f"{self.what} {self._interval}"

    @property
    def short(self) -> str:
        """The figure with its interval, and where, without what it is."""
        return str(self) if isnan(self.value) else f"{self.place} {self._interval}".lstrip()

    @property
    def size(self) -> str:
        """The figure with its interval alone."""
        return "unknown" if isnan(self.value) else self._interval

    @property
    def what(self) -> str:
        """What it is, and where."""
        return f"{self.place} {self.quantity}".lstrip()

    @property
    def _interval(self) -> str:
        unit = "" if self.unit == "1" else f" {self.unit}"
        value, low, high = _figures(self.value, self.low, self.high)
        return f"{value}{unit} ({low} to {high}{unit})"

    def to_json(self) -> dict[str, Any]:
        """Plain data; figures to five digits."""
        low, high = plain(self.low), plain(self.high)
        interval = None if low is None or high is None else [low, high]
        return {"quantity": self.what, "value": plain(self.value), "unit": self.unit, "interval_95": interval}


def plain(value: float) -> float | None:
    """A figure to five digits; None where it is not known: JSON has no NaN."""
    return float(f"{value:.5g}") if abs(value) < inf else None


def _figures(value: float, low: float, high: float) -> list[str]:
    """A figure and its interval, to as many digits as they are known: two of half the interval's length."""
    known = (high - low) / 2.0
    if not 0.0 < known < inf:
        return [f"{one:.0f}" if 999.5 <= abs(one) < inf else f"{one:.3g}" for one in (value, low, high)]
    digits = min(max(1 - floor(log10(known)), 0), 4)
    return [f"{one + 0.0:.{digits}f}" for one in (round(value, digits), round(low, digits), round(high, digits))]


def band_of(fit: Fit, low: float = -inf) -> tuple[float, float, float]:
    """A fitted size with the ends of its interval, none below `low`."""
    half = SIGMAS * fit.deviation
    return fit.size, max(low, fit.size - half), max(low, fit.size + half)


def mapped(quantity: str, unit: str, band: tuple[float, float, float], change: Any, place: str = "") -> Estimate:
    """An estimate through a monotonic change of the fitted size."""
    value, low, high = (float(change(one)) for one in band)
    return Estimate(quantity, value, unit, min(low, high), max(low, high), place)


def spread_of(what: str, unit: str, values: Sequence[float]) -> Estimate:
    """The median of what several pulls showed, with the interval of their mean."""
    middle = median(values)
    deviation = float(np.std(values, ddof=1)) if len(values) > 1 else 0.25 * abs(middle)
    half = SIGMAS * deviation / len(values) ** 0.5
    return Estimate(what, middle, unit, middle - half, middle + half)
