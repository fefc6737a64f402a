"""Numbers into frames: the counterpart of decoding, whole columns at a time, and one number for an answer.

In: signals of a profile and physical values. Out: data bytes, uint8 (n, length). What `pack_signal` writes, a decoder
that follows the signal's declaration reads back, to the signal's own resolution; values outside what the signal can
hold are held at its ends, and unknown ones (NaN) become the signal's first invalid code, or 0 when it has none.
"""

from __future__ import annotations

from math import isnan

import numpy as np
from numpy.typing import NDArray

from livewatch.profile.model import Signal

__all__ = ["pack_signal", "placed", "raw_number", "raw_numbers", "raw_range"]


HIGHEST_INT64 = (1 << 63) - 1024
"""A float64 just above 2**63 cannot become an int64: signals that reach further are held a little lower."""


def raw_range(signal: Signal) -> tuple[int, int]:
    """Least and greatest raw number of an integer signal."""
    if signal.kind == "signed":
        return -(1 << (signal.length - 1)), (1 << (signal.length - 1)) - 1
    return 0, (1 << signal.length) - 1


def raw_numbers(signal: Signal, physical: NDArray[np.float64]) -> NDArray[np.uint64]:
    """The bit patterns of `physical` (n,), in the low bits of uint64 (n,)."""
    value = np.asarray(physical, np.float64)
    if signal.curve is not None:
        inputs, outputs = (np.asarray(side) for side in signal.curve)
        order = np.argsort(outputs)
        value = np.interp(value, outputs[order], inputs[order])
    scaled = (value - signal.offset) / signal.scale
    unknown = np.isnan(scaled)
    if signal.kind == "float":
        as_float = scaled.astype({16: np.float16, 32: np.float32, 64: np.float64}[signal.length])
        return as_float.view({16: np.uint16, 32: np.uint32, 64: np.uint64}[signal.length]).astype(np.uint64)
    low, high = raw_range(signal)
    while high in signal.invalid and high > low:
        high -= 1
    top = min(high, HIGHEST_INT64)
    numbers = np.clip(np.rint(np.where(unknown, 0.0, scaled)), low, top).astype(np.int64)
    for code in signal.invalid:
        numbers[numbers == code] -= 1 if code > low else -1
    if unknown.any():
        numbers[unknown] = signal.invalid[0] if signal.invalid else 0
    mask = (1 << signal.length) - 1
    return numbers.astype(np.uint64) & np.uint64(mask)


def raw_number(signal: Signal, physical: float) -> int:
    """As `raw_numbers`, of one number, which costs a thirtieth."""
    if signal.curve is not None or signal.kind == "float" or signal.invalid or isnan(physical):
        return int(raw_numbers(signal, np.array([physical]))[0])
    low, high = raw_range(signal)
    top = min(high, HIGHEST_INT64)
    scaled = (physical - signal.offset) / signal.scale
    number = low if scaled <= low else top if scaled >= top else round(scaled)
    return number & ((1 << signal.length) - 1)


def placed(signal: Signal, raw: int, length: int) -> int:
    """`length` bytes, read as one big-endian number, that hold `raw` at the signal's place and 0 elsewhere."""
    if signal.order == "big_endian":
        return raw << (8 * length - 1 - _least_significant_from_left(signal))
    return int.from_bytes((raw << signal.start).to_bytes(length, "little"), "big")


def _least_significant_from_left(signal: Signal) -> int:
    """DBC gives a big-endian signal's most significant bit; where its least significant one is, counted from the first
    byte's most significant bit."""
    return 8 * (signal.start // 8) + 7 - signal.start % 8 + signal.length - 1


def pack_signal(data: NDArray[np.uint8], signal: Signal, raw: NDArray[np.uint64] | int) -> None:
    """Put raw numbers into `data`, uint8 (n, length), at the signal's place, over zeros. Signals reach at most 64
    bits."""
    pattern = np.broadcast_to(np.asarray(raw, np.uint64), (len(data),))
    if signal.order == "little_endian":
        byte, shift, step = signal.start // 8, signal.start % 8, 1
    else:
        from_left = _least_significant_from_left(signal)
        byte, shift, step = from_left // 8, 7 - from_left % 8, -1
    left = signal.length
    first = min(8 - shift, left)
    part = pattern & np.uint64((1 << first) - 1)
    data[:, byte] |= (part << np.uint64(shift)).astype(np.uint8)
    done = first
    while done < left:
        byte += step
        width = min(8, left - done)
        part = (pattern >> np.uint64(done)) & np.uint64((1 << width) - 1)
        data[:, byte] |= part.astype(np.uint8)
        done += width
