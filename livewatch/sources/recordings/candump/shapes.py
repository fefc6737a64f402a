"""Lines of candump text of few shapes: the quick way for what most recordings are made of.

Whole lines come in as bytes; one `FrameBatch` goes out when the lines are data frames of classical CAN that share a
handful of shapes (the same length, the same bus, the same number of digits), None when they are anything else: then
`lines` reads them, and the result is the same. Lines of one shape are a table of characters whose columns mean
the same thing in every row, so that nothing has to be searched for.
"""

from __future__ import annotations

import re
from binascii import unhexlify

import numpy as np
from numpy.typing import NDArray

from livewatch.data.frames import EXTENDED, FrameBatch
from livewatch.sources.recordings.candump.lines import BusNames

__all__ = ["parse_shapes"]

Bytes = NDArray[np.uint8]

MOST_SHAPES = 12
FEWEST_LINES = 64
"""A shape of fewer lines is not worth its fixed cost."""

_SHAPE = re.compile(
    rb"\((\d{1,10})\.(\d{6}|\d{9})\) (\S{1,32}) ([0-9A-Fa-f]{3}|[0-9A-Fa-f]{8})#((?:[0-9A-Fa-f]{2}){0,8})"
)
_ZERO = np.uint8(ord("0"))
_ZEROS = np.uint64(0x3030303030303030)
_SIXES = np.uint64(0x0606060606060606)
_HIGH_NIBBLES = np.uint64(0xF0F0F0F0F0F0F0F0)
_STEPS = tuple(
    (np.uint64(10**digits << 8 * digits | 1), np.uint64(8 * digits), np.uint64(lanes))
    for digits, lanes in ((1, 0x00FF00FF00FF00FF), (2, 0x0000FFFF0000FFFF), (4, 0x00000000FFFFFFFF))
)
"""Join neighbouring numbers of so many digits: times ten to the digits, plus the next; in all lanes at once."""
_LAST_IDENTIFIER = 0x1FFFFFFF


def parse_shapes(text: bytes, buses: BusNames) -> FrameBatch | None:
    """The frames of `text`, which ends with a line end; None when its lines are not all of a few plain shapes.
    `buses` is not touched in that case."""
    characters = np.frombuffer(text, np.uint8)
    end = np.flatnonzero(characters == 10)
    start = np.concatenate((np.zeros(1, np.int64), end[:-1] + 1))
    length = end - start
    often = np.bincount(length, minlength=1)
    shapes = np.flatnonzero(often)
    if len(shapes) > MOST_SHAPES or often[shapes].min() < FEWEST_LINES or shapes[0] < 20 or shapes[-1] > 100:
        return None
    parts: list[tuple[slice | NDArray[np.intp], _ShapeTable]] = []
    for width in shapes.tolist():
        alone = len(shapes) == 1
        rows: slice | NDArray[np.intp] = slice(None) if alone else np.flatnonzero(length == width)
        if alone:
            table = characters.reshape(-1, width + 1)[:, :width]
        else:
            table = np.lib.stride_tricks.sliding_window_view(characters, width)[start[rows]]
        read = _ShapeTable.read(table)
        if read is None:
            return None
        parts.append((rows, read))
    n = len(end)
    time, identifier = np.empty(n, np.int64), np.empty(n, np.uint32)
    bus, flags, size = np.empty(n, np.uint8), np.empty(n, np.uint8), np.empty(n, np.uint8)
    data = np.zeros((n, 8), np.uint8)
    # Buses are numbered in order of appearance, as the other way does.
    for rows, read in sorted(parts, key=lambda part: 0 if isinstance(part[0], slice) else int(part[0][0])):
        number = buses.number(read.bus)
        if number > 255:
            return None
        time[rows], identifier[rows], flags[rows] = read.time, read.identifier, read.flags
        bus[rows], size[rows] = number, read.data.shape[1]
        data[rows, : read.data.shape[1]] = read.data
    return FrameBatch(time, bus, identifier, flags, size, data, tuple(buses.names))


class _ShapeTable:
    """Lines of one shape, read: time int64 (n,) ns, identifier uint32 (n,), data uint8 (n, k); flags and bus are the
    same for all."""

    __slots__ = ("bus", "data", "flags", "identifier", "time")

    def __init__(
        self, time: NDArray[np.int64], bus: bytes, identifier: NDArray[np.uint32], flags: int, data: Bytes
    ) -> None:
        self.time, self.bus, self.identifier, self.flags, self.data = time, bus, identifier, flags, data

    @classmethod
    def read(cls, table: Bytes) -> _ShapeTable | None:
        """Read the characters uint8 (n, width) of equally long lines; None when their shape is not that of the first,
        or the first is no plain data frame."""
        found = _SHAPE.fullmatch(table[0].tobytes())
        if found is None:
            return None
        spans = [slice(*found.span(group)) for group in (1, 2, 4, 5)]
        fixed = np.ones(table.shape[1], np.bool_)
        for span in spans:
            fixed[span] = False
        same = table[:, fixed] == table[0, fixed]
        if not same.all():
            return None
        seconds, whole = _decimal(table[:, spans[0]])
        fraction, part = _decimal(table[:, spans[1]])
        try:
            identifier = _identifier(table[:, spans[2]])
            data = np.frombuffer(unhexlify(table[:, spans[3]].tobytes()), np.uint8)
        except ValueError:
            return None
        extended = found.end(4) - found.start(4) == 8
        if not (whole and part) or (extended and int(identifier.max()) > _LAST_IDENTIFIER):
            return None
        data = data.reshape(len(table), -1)
        scale = 1000 if found.end(2) - found.start(2) == 6 else 1
        time = seconds * 1_000_000_000 + fraction * scale
        return cls(time, found[3], identifier, EXTENDED if extended else 0, data)


def _decimal(digits: Bytes) -> tuple[NDArray[np.int64], bool]:
    """The decimal numbers in uint8 (n, k) characters, k at most 10, and whether all are digits."""
    rows, width = digits.shape
    padded = np.full((rows, 16), _ZERO, np.uint8)
    padded[:, 16 - width :] = digits
    words = padded.view(np.uint64)
    low, good = _eight_digits(words[:, 1])
    if width <= 8:
        return low, good
    high, high_good = _eight_digits(words[:, 0])
    return high * 100_000_000 + low, good and high_good


def _eight_digits(word: NDArray[np.uint64]) -> tuple[NDArray[np.int64], bool]:
    """The numbers written as eight characters in each word, most significant first; and whether all are digits."""
    value = word ^ _ZEROS
    good = not (((value + _SIXES) | value) & _HIGH_NIBBLES).any()
    for factor, width, lanes in _STEPS:
        value = ((value * factor) >> width) & lanes
    return value.view(np.int64), good


def _identifier(digits: Bytes) -> NDArray[np.uint32]:
    """The hexadecimal numbers in uint8 (n, k) characters, k at most 8.

    Raises:
        ValueError: some are no digits.
    """
    padded = np.full((len(digits), 8), _ZERO, np.uint8)
    padded[:, 8 - digits.shape[1] :] = digits
    return np.frombuffer(unhexlify(padded.tobytes()), ">u4").astype(np.uint32)
