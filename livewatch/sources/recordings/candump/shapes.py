"""Lines of candump text that all begin alike: the quick way for what most recordings are made of.

Whole lines come in as bytes; one `FrameBatch` goes out when nearly all are data frames of classical CAN that begin as
the first does: as many digits of a second, and buses whose names are equally long. The few others go one by one. None
when they are anything else: then `lines` reads them, and the result is the same. Where every line begins alike, its
fields stand at the same places, and nothing has to be searched for.
"""

from __future__ import annotations

import re
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from livewatch.data.frames import EXTENDED, MOST_BUSES, FrameBatch
from livewatch.sources.recordings.candump.line import IDENTIFIER_BITS, MOST_SECONDS, PlainFrame, parse_line
from livewatch.sources.recordings.candump.lines import (
    HIGH_NIBBLES,
    KEEP_FIRST,
    KEEP_LAST,
    NIBBLE,
    QUADS,
    BusNames,
    decimal,
    packed,
)

__all__ = ["parse_shapes"]

FEWEST_LINES = 64
"""Fewer are not worth the fixed cost."""
MOST_ODD = 256
"""Lines in one text that may go one by one."""
MOST_NAMES = 8
"""Buses told apart the quick way."""
_HEAD = re.compile(rb"\((\d{1,10})\.(\d{6}|\d{9})(\) (\S{1,13}) )")
_BEFORE, _BEHIND = 16, 64
"""Bytes of padding, so that a word may be loaded that begins before the first line or ends behind the last."""


def parse_shapes(text: bytes, buses: BusNames) -> FrameBatch | None:
    """The frames of `text`, which ends with a line end; None when its lines are not nearly all plain and alike.
    `buses` is not touched in that case."""
    head = _HEAD.match(text)
    end = np.flatnonzero(np.frombuffer(text, np.uint8) == 10)
    if head is None or len(end) < FEWEST_LINES:
        return None
    lines = _Lines(text, end, head)
    named = lines.buses()
    time, identifier, flags, data, length = lines.fields()
    usable = lines.usable
    if len(usable) - np.count_nonzero(usable) > MOST_ODD:
        return None
    odd: list[tuple[int, PlainFrame]] = []
    for row in np.flatnonzero(~usable).tolist():
        frame = parse_line(lines.line(row))
        if frame is None or len(frame.data) > 8:
            return None
        odd.append((row, frame))
    # Buses are numbered in order of appearance, as the other way does.
    appeared = sorted(
        [(int(rows[0]), name) for name, rows in named if len(rows)] + [(row, one.bus) for row, one in odd]
    )
    if len({*buses.keys, *(name for _, name in appeared)}) > MOST_BUSES:
        return None
    numbers = {name: buses.number(name) for _, name in appeared}
    bus = np.zeros(len(end), np.uint8)
    for name, rows in named if len(numbers) > 1 or max(numbers.values()) else ():
        bus[rows] = numbers.get(name, 0)
    for row, frame in odd:
        time[row], identifier[row], flags[row], length[row] = frame.time, frame.identifier, frame.flags, frame.length
        bus[row], data[row] = numbers[frame.bus], np.frombuffer(frame.data.ljust(8, b"\0"), np.uint8)
    return FrameBatch(time, bus, identifier, flags, length, data, tuple(buses.names))


class _Fields(NamedTuple):
    """time int64 (n,) ns, identifier uint32 (n,), flags uint8 (n,), data uint8 (n, 8), length uint8 (n,)."""

    time: NDArray[np.int64]
    identifier: NDArray[np.uint32]
    flags: NDArray[np.uint8]
    data: NDArray[np.uint8]
    length: NDArray[np.uint8]


class _Lines:
    """The lines, and which of them are `usable`: bool (n,), narrowed by everything that is looked at.

    What may hold a frame is copied line by line into a table of nibbles (`NIBBLE`), whose columns are read eight
    characters at once: taking words from all over the text is five times slower.
    """

    def __init__(self, text: bytes, end: NDArray[np.int64], head: re.Match[bytes]) -> None:
        self._head = head
        self._text = b"".join((bytes(_BEFORE), text, bytes(_BEHIND)))
        self._end = end + _BEFORE
        self._start = np.concatenate((np.full(1, _BEFORE), self._end[:-1] + 1))
        self._width = -(-(_BEFORE + head.end() + 8 + 1 + 16) // 8) * 8
        nibbles = self._text.translate(NIBBLE)
        windows = np.ndarray((len(nibbles) - self._width + 1,), f"V{self._width}", nibbles, strides=(1,))
        self._nibbles = windows[self._start - _BEFORE]
        three = self._is(head.end() + 3, "#")
        # A line so short that the next one is looked at has a number of digits that makes no sense.
        self._extended = self._is(head.end() + 8, "#") & ~three
        self._any_extended = bool(self._extended.any())
        self._digits = self._end - self._start - (head.end() + 4)
        self._digits[self._extended] -= 5
        self.usable: NDArray[np.bool_] = three | self._extended
        self.usable &= self._is(0, "(") & self._is(head.end(1), ".")
        self.usable &= (self._digits >= 0) & (self._digits <= 16) & (self._digits & 1 == 0)

    def _word(self, place: int) -> NDArray[np.uint64]:
        """The eight nibbles from `place` of each line on."""
        return np.ndarray((len(self._start),), np.uint64, self._nibbles, _BEFORE + place, (self._width,))

    def _characters(self, place: int, count: int) -> NDArray[np.uint64]:
        """The `count` bytes, up to eight, from `place` of each line on, as they stand in the text."""
        words = np.ndarray((len(self._text) - 7,), "V8", self._text, strides=(1,))
        found: NDArray[np.uint64] = words[self._start + place].view(np.uint64) & KEEP_FIRST[count]
        return found

    def _is(self, place: int, character: str) -> NDArray[np.bool_]:
        """Where a character that is no digit stands."""
        shape, strides = (len(self._start),), (self._width,)
        found: NDArray[np.bool_] = (
            np.ndarray(shape, np.uint8, self._nibbles, _BEFORE + place, strides) == NIBBLE[ord(character)]
        )
        return found

    def line(self, row: int) -> bytes:
        """The bytes of one line, without its line end."""
        return self._text[int(self._start[row]) : int(self._end[row])]

    def buses(self) -> list[tuple[bytes, NDArray[np.intp]]]:
        """The names, and the usable lines of each. A line whose bus is none of the first eight is not usable."""
        first, width = self._head.start(3), self._head.end(3) - self._head.start(3)
        low = self._characters(first, min(width, 8))
        high = self._characters(first + 8, width - 8) if width > 8 else None
        found = []
        unnamed = self.usable.copy()
        for _ in range(MOST_NAMES):
            row = int(unnamed.argmax())
            if not unnamed[row]:
                break
            alike = unnamed & (low == low[row])
            if high is not None:
                alike &= high == high[row]
            unnamed &= ~alike
            head = _HEAD.match(self.line(row))
            if head is not None and head.end() == self._head.end():
                found.append((head[4], np.flatnonzero(alike)))
            else:
                self.usable &= ~alike
        self.usable &= ~unnamed
        return found

    def fields(self) -> _Fields:
        """What stands in the lines."""
        seconds = self._number(*self._head.span(1))
        self.usable &= seconds <= MOST_SECONDS
        begin, stop = self._head.span(2)
        time = seconds * 1_000_000_000 + self._number(begin, stop) * 10 ** (9 - (stop - begin))
        after = self._head.end()
        word = self._behind(after - 5, after) & np.where(self._extended, KEEP_LAST[8], KEEP_LAST[3])
        value = packed(self._digits_only(word))
        value = ((value << np.uint64(8)) | (value >> np.uint64(16))) & QUADS
        value = ((value << np.uint64(16)) | (value >> np.uint64(32))) & np.uint64(0xFFFFFFFF)
        self.usable &= value <= np.uint64(IDENTIFIER_BITS)
        data = np.empty((len(word), 2, 4), np.uint8)
        for index in range(2):
            here = np.minimum(np.maximum(self._digits - 8 * index, 0), 8)
            word = self._behind(after + 4 + 8 * index, after + 9 + 8 * index) & KEEP_FIRST[here]
            data[:, index] = packed(self._digits_only(word)).view(np.uint16).reshape(-1, 4)
        flags = self._extended.view(np.uint8) * np.uint8(EXTENDED)
        return _Fields(time, value.astype(np.uint32), flags, data.reshape(-1, 8), (self._digits >> 1).astype(np.uint8))

    def _behind(self, three: int, eight: int) -> NDArray[np.uint64]:
        """The word of nibbles at `three` where the identifier has three digits, at `eight` where it has eight."""
        word = self._word(three)
        return np.where(self._extended, self._word(eight), word) if self._any_extended else word

    def _number(self, begin: int, stop: int) -> NDArray[np.int64]:
        """The decimal number between these places of each line, at most ten digits."""
        low, good = decimal(self._word(stop - 8) & KEEP_LAST[min(stop - begin, 8)])
        self.usable &= good
        if stop - begin <= 8:
            return low
        word = self._word(stop - 16) & KEEP_LAST[stop - begin - 8]
        # The first digits of a second hardly ever change.
        high, good = decimal(word[:1] if (word == word[0]).all() else word)
        self.usable &= good
        return low + high * 100_000_000

    def _digits_only(self, nibbles: NDArray[np.uint64]) -> NDArray[np.uint64]:
        self.usable &= (nibbles & HIGH_NIBBLES) == 0
        return nibbles
