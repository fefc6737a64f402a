"""The median, without what numpy loads for its own: importing masked arrays takes longer than reading a short drive."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

__all__ = ["median"]


def median(values: Sequence[float] | NDArray[np.float64]) -> float:
    """The middle of `values`, (n,) with n > 0: the digits of `numpy.median`. NaN when one of them is."""
    ordered = np.sort(np.asarray(values, np.float64))
    half = len(ordered) // 2
    if np.isnan(ordered[-1]):
        return float("nan")
    return float(ordered[half] if len(ordered) % 2 else (ordered[half - 1] + ordered[half]) / 2.0)
