"""Median and quantile, without what numpy loads for its own: importing masked arrays takes longer than reading a short
drive."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

__all__ = ["median", "quantile"]


def median(values: Sequence[float] | NDArray[np.float64]) -> float:
    """The middle of `values`, (n,) with n > 0: the digits of `numpy.median`. NaN when one of them is."""
    ordered = np.sort(np.asarray(values, np.float64))
    half = len(ordered) // 2
    if np.isnan(ordered[-1]):
        return float("nan")
    return float(ordered[half] if len(ordered) % 2 else (ordered[half - 1] + ordered[half]) / 2.0)


def quantile(values: Sequence[float] | NDArray[np.float64], share: float) -> float:
    """What `share` (0..1) of `values`, (n,) with n > 0, are below, between two of them on a straight line: the digits
    of `numpy.quantile`. NaN when one of them is."""
    ordered = np.sort(np.asarray(values, np.float64))
    if np.isnan(ordered[-1]):
        return float("nan")
    place = share * (len(ordered) - 1)
    below, above = ordered[int(place)], ordered[min(int(place) + 1, len(ordered) - 1)]
    part = place - int(place)
    return float(above - (above - below) * (1 - part) if part >= 0.5 else below + (above - below) * part)
