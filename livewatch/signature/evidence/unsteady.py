"""How much a channel moves from look to look beyond any slow change: noise, and what pulses.

Columns come in; the standard deviation that each look tells of comes out, as an absolute value. Every look back is a
fixed number of looks, so that no cutting changes a digit.
"""

from __future__ import annotations

from math import sqrt

import numpy as np

from livewatch.signature.evidence.readings import Column, Readings

__all__ = ["ripple", "unsteady"]

EACH_LOOK, EVERY_SECOND = 0.12, 0.25
"""s between samples up to which every look, and every second one, has a new one; what comes more slowly shows the swing
of the loop instead."""


def unsteady(values: Column, apart: int = 1) -> Column:
    """The second difference of looks that are so many looks apart, over what noise of deviation 1 makes of it."""
    found = np.full(len(values), np.nan)
    past = values[: -2 * apart]
    found[2 * apart :] = np.abs(values[2 * apart :] - 2.0 * values[apart:-apart] + past) / sqrt(6.0)
    return found


def ripple(readings: Readings, bank: int, interval: Column) -> Column:
    """How much lambda moves, plain; NaN where it is not known or comes too slowly. `interval` between samples, s."""
    measured = readings[f"lambda_{bank}"]
    slower = np.where(interval <= EVERY_SECOND, unsteady(measured, 2), np.nan)
    found: Column = np.where(interval <= EACH_LOOK, unsteady(measured), slower)
    return found
