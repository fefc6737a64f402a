"""What the looks of a window that ends at each look say together: columns come in, columns as long go out.

Every window looks back a fixed number of looks, so that the same data gives the same digits in any cutting.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from livewatch.signature.evidence.readings import Column

__all__ = ["highest", "lowest", "spread"]


def highest(column: Column, looks: int) -> Column:
    """Highest of each look and the `looks` - 1 before it, along the last axis; NaN where any is unknown or before the
    first."""
    result = column.copy()
    done = 1
    while done < looks:
        step = min(done, looks - done)
        shifted = np.empty_like(result)
        shifted[..., :step] = np.nan
        shifted[..., step:] = result[..., :-step]
        np.maximum(result, shifted, out=result)
        done += step
    return result


def lowest(column: Column, looks: int) -> Column:
    """Lowest of each look and the `looks` - 1 before it; else as `highest`."""
    return -highest(-column, looks)


def spread(columns: Sequence[Column], looks: int) -> tuple[Column, Column]:
    """Highest of each column as `highest` gives it, and how far that is above the lowest: float64 (columns, n) each."""
    table = np.array(columns)
    both = highest(np.concatenate((table, -table)), looks)
    high = both[: len(columns)]
    return high, high + both[len(columns) :]
