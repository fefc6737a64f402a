"""Cells of a table to numbers and times.

A column comes in as its format gives it: text, floats, whole numbers or moments. `numbers` gives float64 values and
says of each cell whether it holds a number, nothing, or something that is no number; `times` gives whole nanoseconds.
Times written as decimal text are exact. Nothing here raises for what stands in a cell.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from contextlib import suppress
from datetime import datetime
from decimal import Decimal, DecimalException
from typing import Any

import numpy as np
from numpy.typing import NDArray

from livewatch.data.clock import nanoseconds_of

__all__ = ["EMPTY", "NUMBER", "OTHER", "Column", "numbers", "times"]

EMPTY, NUMBER, OTHER = 0, 1, 2
"""What is in a cell: nothing, a number, something else."""

Column = Sequence[str | None] | NDArray[Any]
"""Cells of one column: text (None or empty for nothing), float64 (NaN for nothing), integers, or datetime64[ns]."""

_FARTHEST = 2**63


def numbers(
    column: Column, decimal_comma: bool = False, words: Mapping[str, float] | None = None
) -> tuple[NDArray[np.float64], NDArray[np.uint8]]:
    """float64 (n,), NaN where there is no number, and uint8 (n,) saying what each cell holds.

    `decimal_comma`: 1,5 in text is one and a half. `words`: text that stands for a number, in lower case.
    """
    if isinstance(column, np.ndarray):
        value = column.astype(np.float64)
        state = np.where(np.isnan(value), EMPTY, np.where(np.isinf(value), OTHER, NUMBER)).astype(np.uint8)
        value[state != NUMBER] = np.nan
        return value, state
    try:
        value = np.array([float(cell) if cell else math.nan for cell in column], np.float64)
        if not np.isinf(value).any():
            return value, np.where(np.isnan(value), EMPTY, NUMBER).astype(np.uint8)
    except (ValueError, TypeError):
        pass
    cells = [_number(cell, decimal_comma, words or {}) for cell in column]
    value = np.array([cell[0] for cell in cells], np.float64)
    return value, np.array([cell[1] for cell in cells], np.uint8)


def _number(cell: str | None, decimal_comma: bool, words: Mapping[str, float]) -> tuple[float, int]:
    text = (cell or "").strip()
    if not text:
        return math.nan, EMPTY
    try:
        value = float(text.replace(",", ".") if decimal_comma else text)
    except ValueError:
        word = words.get(text.lower())
        return (math.nan, OTHER) if word is None else (word, NUMBER)
    if math.isnan(value):
        return math.nan, EMPTY
    return (math.nan, OTHER) if math.isinf(value) else (value, NUMBER)


def times(column: Column, unit: int | None, decimal_comma: bool = False) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """int64 (n,) nanoseconds since the Unix epoch, and bool (n,): whether the cell holds a time at all.

    `unit` is the nanoseconds one unit of a number stands for; None when nobody says, then a number is seconds; 0 when
    only ISO 8601 text is a time. ISO 8601 text is always one; a moment without a zone is UTC.
    """
    if not isinstance(column, np.ndarray):
        found = [_time(cell, unit, decimal_comma) for cell in column]
        return np.array([time or 0 for time in found], np.int64), np.array([time is not None for time in found])
    if column.dtype.kind == "M":
        # A coarser unit holds moments that nanoseconds cannot; they would come round again.
        microseconds = column.astype("M8[us]").astype(np.int64)
        known: NDArray[np.bool_] = ~np.isnat(column) & (np.abs(microseconds / 1e6) < _FARTHEST / 1e9)
        return np.where(known, column.astype("M8[ns]").astype(np.int64), 0), known
    step = 1_000_000_000 if unit is None else unit
    if column.dtype.kind in "iu":
        known = np.abs(column.astype(np.float64)) * step < _FARTHEST
        return np.where(known, column, 0).astype(np.int64) * step, known
    value = column.astype(np.float64)
    with np.errstate(invalid="ignore", over="ignore"):
        known = np.abs(value) * step < _FARTHEST
    value = np.where(known, value, 0.0)
    whole = np.floor(value)
    return whole.astype(np.int64) * step + np.rint((value - whole) * step).astype(np.int64), known


def _time(cell: str | None, unit: int | None, decimal_comma: bool) -> int | None:
    text = (cell or "").strip()
    if unit != 0:
        with suppress(DecimalException):
            exact = Decimal(text.replace(",", ".") if decimal_comma else text) * (unit or 1_000_000_000)
            return round(exact) if abs(exact) < _FARTHEST - 1 else None
    try:
        return nanoseconds_of(datetime.fromisoformat(text))
    except ValueError:
        return None
