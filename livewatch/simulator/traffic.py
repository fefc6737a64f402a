"""Everything else on a bus: traffic no profile knows, error frames, and the bus itself, which carries one frame at a
time.

In: wanted load, the identifiers already taken. Out: frames with their times of arrival, and the times at which the
bus really carries them. Frame lengths are the worst case of ISO 11898-1 with stuff bits (Davis, Burns, Bril and
Lukkien 2007, the equation for C_m).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["ERROR_CLASS", "OtherMessage", "carry", "error_frames", "frame_bits", "other_messages", "steady_columns"]

ERROR_CLASS = 0x008
"""Identifier of the error frames: protocol violation (Linux's can/error.h, by which candump files are read)."""
_PERIODS = (0.010, 0.010, 0.010, 0.020, 0.020, 0.020, 0.050, 0.100, 0.100, 0.200, 0.500, 1.000)
"""s; how often control units send things, most of it often: common practice."""


@dataclass(frozen=True, slots=True)
class OtherMessage:
    """A message nobody declared: `steady` are the bytes that never change, -1 for those that do."""

    identifier: int
    extended: bool
    period: float
    length: int
    steady: tuple[int, ...]


def frame_bits(length: NDArray[np.int64], extended: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Bits of a classic frame of `length` data bytes at worst: g + 8 s + 13 + floor((g + 8 s - 1) / 4)."""
    head = np.where(extended, 54, 34)
    return np.asarray(head + 8 * length + 13 + (head + 8 * length - 1) // 4, np.int64)


def other_messages(load: float, bit_rate: float, taken: set[tuple[int, bool]], seed: int) -> list[OtherMessage]:
    """Messages that fill `load` (0..1) of a bus of `bit_rate` bit/s, none with an identifier in `taken`.

    Diagnostic identifiers (7DF to 7EF) stay free.
    """
    rng = np.random.default_rng([seed, 4321])
    used = set(taken)
    result: list[OtherMessage] = []
    filled = 0.0
    while filled < load:
        extended = bool(rng.random() < 0.06)
        identifier = int(rng.integers(0x10000000, 0x18000000)) if extended else int(rng.integers(0x080, 0x7A0))
        if (identifier, extended) in used:
            continue
        used.add((identifier, extended))
        length = int(rng.choice([8, 8, 8, 8, 8, 7, 6, 4, 3]))
        period = float(_PERIODS[int(rng.integers(len(_PERIODS)))])
        steady = tuple(-1 if rng.random() < 0.45 else int(rng.integers(256)) for _ in range(length))
        result.append(OtherMessage(identifier, extended, period, length, steady))
        filled += int(frame_bits(np.array([length]), np.array([extended]))[0]) / bit_rate / period
    return result


def carry(arrival: NDArray[np.int64], duration: NDArray[np.int64], free_from: int) -> NDArray[np.int64]:
    """When each frame has crossed the bus (ns), given when it was handed over (ns, ascending) and how long it takes.

    One after the other: a frame waits for the one before it; none is lost. `free_from` is when the bus gets free.
    """
    if not len(arrival):
        return arrival
    crossed = np.cumsum(duration)
    waiting = arrival - (crossed - duration)
    waiting[0] = max(int(waiting[0]), free_from)
    return np.asarray(crossed + np.maximum.accumulate(waiting), np.int64)


def error_frames(
    start: float, stop: float, each_minute: float, rng: np.random.Generator
) -> tuple[NDArray[np.float64], NDArray[np.uint8]]:
    """Times (s) of error frames between two seconds, in bursts, and their data (n, 8).

    Byte 2 says which rule was broken (Linux's can/error.h): a bit, the form, or an error on transmission.
    """
    bursts = rng.poisson(each_minute / 3.0 * (stop - start) / 60.0)
    begin = np.sort(rng.uniform(start, stop, bursts))
    times = np.concatenate(
        [moment + np.cumsum(rng.uniform(0.0004, 0.02, rng.integers(1, 6))) for moment in begin] or [[]]
    )
    times = np.sort(times[times < stop])
    data = np.zeros((len(times), 8), np.uint8)
    data[:, 2] = rng.choice([0x02, 0x04, 0x80], len(times))
    return np.asarray(times, np.float64), data


def steady_columns(message: OtherMessage, count: int, rng: np.random.Generator) -> NDArray[np.uint8]:
    """Data of `count` frames of `message`, uint8 (count, 8): constants, and bytes that wander."""
    data = np.zeros((count, 8), np.uint8)
    for at, value in enumerate(message.steady):
        if value >= 0:
            data[:, at] = value
        else:
            data[:, at] = np.cumsum(rng.integers(-3, 4, count)).astype(np.uint8)
    return data
