"""Lines of candump text to frames, a whole chunk at a time.

Whole lines come in as bytes, one `FrameBatch` and the number of lines that are no frames go out. A line reads
`(1436509052.249713) can0 1A4#0102`, with `##` and a flag digit for CAN FD, `#R8` for a remote frame, an identifier
of eight digits when it has 29 bits, bit 0x20000000 in it for an error frame, and `R` or `T` behind it when the
direction is known (the form that can-utils writes and reads). All usual lines are parsed at once by numpy, eight
characters to one 64-bit word; the unusual ones go one by one through `parse_line`, which alone decides what is a
frame. Times are exact: whole nanoseconds, never a float.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from livewatch.data.frames import BRS, ERROR, ESI, EXTENDED, FD, MOST_BUSES, REMOTE, SENT, FrameBatch
from livewatch.sources.recordings.candump.line import (
    ERROR_BIT,
    EXTENDED_BIT,
    IDENTIFIER_BITS,
    MOST_SECONDS,
    parse_line,
)

__all__ = ["BusNames", "parse_lines"]

Integers = NDArray[np.int64]
Words = NDArray[np.uint64]
Bytes = NDArray[np.uint8]
Mask = NDArray[np.bool_]

_BEFORE, _BEHIND = 16, 160
"""Bytes of padding, so that a word may be loaded that begins before the first line or ends behind the last."""
NIBBLE = bytes(
    int(chr(c), 16) if chr(c) in "0123456789abcdefABCDEF" else c | 0x80 if c < 0x80 else 0xFF for c in range(256)
)
"""A hexadecimal digit is its value; what is none has its highest bit set, and can be told apart where it is ASCII."""
_ALL = (1 << 64) - 1
KEEP_FIRST = np.array([(1 << 8 * k) - 1 for k in range(9)], np.uint64)
KEEP_LAST = np.array([_ALL ^ ((1 << 8 * (8 - k)) - 1) for k in range(9)], np.uint64)
HIGH_NIBBLES = np.uint64(0xF0F0F0F0F0F0F0F0)
_SIXES = np.uint64(0x0606060606060606)
_PAIRS, QUADS = np.uint64(0x00FF00FF00FF00FF), np.uint64(0x0000FFFF0000FFFF)
_TEN = 10 ** np.arange(10, dtype=np.int64)
_SPACE, _HASH, _NEWLINE, _RETURN, _DOT = 32, 35, 10, 13, 46


class BusNames:
    """The names met so far, each with the number that frames carry for it; at most 256 of them."""

    def __init__(self) -> None:
        self.names: dict[str, int] = {}
        self._keys: dict[bytes, int] = {}

    def number(self, name: bytes) -> int:
        """The number of `name`, given out now if it is new. Numbers may pass 255: see `full`."""
        if name not in self._keys:
            text = name.decode("utf-8", "replace")
            self._keys[name] = self.names.setdefault(text, len(self.names))
        return self._keys[name]

    @property
    def keys(self) -> dict[bytes, int]:
        """The names as they stand in the file."""
        return self._keys

    @property
    def full(self) -> bool:
        """Whether more names were given out than a batch can number."""
        return len(self.names) > MOST_BUSES

    def clear(self) -> None:
        """Forget every name. Batches made before keep theirs."""
        self.names.clear()
        self._keys.clear()


def parse_lines(text: bytes, buses: BusNames) -> tuple[list[FrameBatch], int]:
    """The frames of whole lines (`text` ends with a line end), in order, and how many lines hold none.

    Blank lines are neither. There is one batch, or more when more than 256 buses appear in `text`.
    """
    chunk = _Chunk(text)
    usable = chunk.structure()
    n = len(usable)
    time, seconds_ok = chunk.times()
    identifier, flags, identifier_ok = chunk.identifiers()
    data, length, data_ok = chunk.payloads(usable)
    marks, marks_ok = chunk.marks()
    flags |= marks
    usable &= seconds_ok & identifier_ok & data_ok & marks_ok
    bus, named = chunk.buses(usable, buses)
    usable &= named
    unusual = np.flatnonzero(~usable)
    rejected = 0
    for row in unusual.tolist():
        line = chunk.line(row)
        frame = parse_line(line)
        if frame is None:
            rejected += bool(line.strip())
            continue
        usable[row] = True
        time[row], identifier[row], flags[row], length[row] = frame.time, frame.identifier, frame.flags, frame.length
        bus[row] = buses.number(frame.bus)
        if len(frame.data) > data.shape[1]:
            wider = np.zeros((n, 64), np.uint8)
            wider[:, :8] = data
            data = wider
        data[row] = 0
        data[row, : len(frame.data)] = np.frombuffer(frame.data, np.uint8)
    if buses.full:
        return _with_fewer_buses(text, buses)
    batch = FrameBatch(time, bus.astype(np.uint8), identifier, flags, length, data, tuple(buses.names))
    if len(unusual):
        batch = batch[usable]
        if batch.data.shape[1] > 8 and not (batch.length[(batch.flags & REMOTE) == 0] > 8).any():
            batch = FrameBatch(
                batch.time, batch.bus, batch.identifier, batch.flags, batch.length, batch.data[:, :8], batch.buses
            )
    return [batch], rejected


def _with_fewer_buses(text: bytes, buses: BusNames) -> tuple[list[FrameBatch], int]:
    """Parse again with no names known yet, in halves when even so there are too many."""
    buses.clear()
    lines = [line + b"\n" for line in text.split(b"\n")[:-1]]
    if len(lines) <= MOST_BUSES:
        return parse_lines(text, buses)
    half = len(lines) // 2
    first, first_rejected = parse_lines(b"".join(lines[:half]), buses)
    second, second_rejected = parse_lines(b"".join(lines[half:]), buses)
    return first + second, first_rejected + second_rejected


class _Chunk:
    """Positions of the fields of every line, and the fields themselves. Rows that do not look usual hold rubbish;
    each method says beside its result which rows it can vouch for."""

    def __init__(self, text: bytes) -> None:
        padded = b"".join((bytes(_BEFORE), text, bytes(_BEHIND)))
        self._text = padded
        self._bytes = np.frombuffer(padded, np.uint8)
        nibbles = padded.translate(NIBBLE)
        self._nibbles = np.frombuffer(nibbles, np.uint8)
        self._nibble_words = _overlapping_words(nibbles)
        # Everything that ends a field is at most "#" in ASCII, and nothing within a usual field is.
        separator = np.flatnonzero(np.frombuffer(text, np.uint8) <= _HASH)
        separator += _BEFORE
        kind = self._bytes[separator]
        self._last = np.flatnonzero(kind == _NEWLINE)
        self._newline = separator[self._last]
        # Seven more, so that a line with too few may be looked at like any other.
        self._separator = np.concatenate((separator, np.full(7, len(text) + _BEFORE)))
        self._kind = np.concatenate((kind, np.zeros(7, np.uint8)))
        self._first = np.zeros_like(self._last)
        self._first[1:] = self._last[:-1] + 1
        self._start = np.full_like(self._newline, _BEFORE)
        self._start[1:] = self._newline[:-1] + 1

    def line(self, row: int) -> bytes:
        """The bytes of one line, without its line end."""
        return self._text[int(self._start[row]) : int(self._newline[row])]

    def structure(self) -> Mask:
        """Find the fields. True for lines whose separators are those of a usual data frame."""
        first, kind, at = self._first, self._kind, self._separator
        self._after_time, self._after_bus, self._after_identifier = at[first], at[first + 1], at[first + 2]
        usual: Mask = (kind[first] == _SPACE) & (kind[first + 1] == _SPACE) & (kind[first + 2] == _HASH)
        usual &= self._bytes[self._start] == ord("(")
        usual &= self._bytes[self._after_time - 1] == ord(")")
        count = self._last - first + 1
        following = first + 3
        fd: Mask = kind[following] == _HASH
        self._data_start = self._after_identifier + 1
        self._any_fd = bool(fd.any())
        if self._any_fd:
            usual &= ~fd | (at[following] == self._after_identifier + 1)
            following = following + fd
            self._data_start = self._data_start + 2 * fd
        self._fd = fd
        self._data_end = at[following]
        expected = 4 + fd
        directed: Mask = kind[following] == _SPACE
        self._sent: Mask | None = None
        if directed.any():
            letter = self._bytes[self._data_end + 1] | 0x20
            known = (letter == ord("t")) | (letter == ord("r"))
            usual &= ~directed | (known & (at[following + 1] == self._data_end + 2))
            self._sent = directed & (letter == ord("t"))
            expected = expected + directed
        returned: Mask = kind[self._last - 1] == _RETURN
        if returned.any():
            returned &= (count > 4) & (at[self._last - 1] == self._newline - 1)
            expected = expected + returned
        usual &= count == expected
        return usual

    def times(self) -> tuple[Integers, Mask]:
        """int64 (n,), nanoseconds."""
        end = self._after_time - 1
        fraction_digits = self._fraction_digits(end)
        dot = end - fraction_digits - (fraction_digits >= 0)
        fraction_digits = np.maximum(fraction_digits, 0)
        whole_digits = dot - self._start - 1
        usable: Mask = (whole_digits > 0) & (whole_digits <= 10)
        seconds, whole_ok = self._number(dot, np.clip(whole_digits, 0, 10))
        fraction, fraction_ok = self._number(end, fraction_digits)
        usable &= whole_ok & fraction_ok & (seconds <= MOST_SECONDS)
        return seconds * 1_000_000_000 + fraction * _TEN[9 - fraction_digits], usable

    def _fraction_digits(self, end: Integers) -> Integers:
        """Digits between the decimal point and `end`, -1 where there is no point within ten places."""
        point: Mask = self._bytes[end - 7] == _DOT
        digits = np.full(len(end), 6, np.int64)
        if point.all():
            return digits
        digits[~point] = -1
        for guess in (9, 3, 0, 1, 2, 4, 5, 7, 8):
            open_rows = np.flatnonzero(digits < 0)
            if not len(open_rows):
                break
            digits[open_rows[self._bytes[end[open_rows] - guess - 1] == _DOT]] = guess
        return digits

    def _number(self, end: Integers, digits: Integers) -> tuple[Integers, Mask]:
        """The decimal number of up to sixteen digits that ends before `end`."""
        low, good = decimal(self._nibble_words[end - 8].view(np.uint64) & KEEP_LAST[np.minimum(digits, 8)])
        more = digits - 8
        if (more > 0).any():
            kept = KEEP_LAST[np.maximum(more, 0)]
            high, high_good = decimal(self._nibble_words[end - 16].view(np.uint64) & kept)
            return low + high * 100_000_000, good & high_good
        return low, good

    def identifiers(self) -> tuple[NDArray[np.uint32], Bytes, Mask]:
        """uint32 (n,) without flag bits, and the flags EXTENDED and ERROR that follow from it."""
        digits = self._after_identifier - self._after_bus - 1
        extended: Mask = digits == 8
        word = self._nibble_words[self._after_identifier - 8].view(np.uint64)
        word = word & np.where(extended, KEEP_LAST[8], KEEP_LAST[3])
        usable: Mask = (extended | (digits == 3)) & ((word & HIGH_NIBBLES) == 0)
        value = packed(word)
        value = ((value << np.uint64(8)) | (value >> np.uint64(16))) & QUADS
        value = ((value << np.uint64(16)) | (value >> np.uint64(32))) & np.uint64(0xFFFFFFFF)
        flags = extended.view(np.uint8) * np.uint8(EXTENDED)
        error: Mask = extended & ((value & np.uint64(ERROR_BIT)) != 0)
        if error.any():
            flags[error] = np.where(value[error] & np.uint64(EXTENDED_BIT), ERROR | EXTENDED, ERROR)
        return (value & np.uint64(IDENTIFIER_BITS)).astype(np.uint32), flags, usable

    def payloads(self, usable: Mask) -> tuple[Bytes, Bytes, Mask]:
        """uint8 (n, 8), or (n, 64) when a usable line needs it, and uint8 (n,) how many bytes are data."""
        digits = self._data_end - self._data_start
        good: Mask = (digits >= 0) & (digits <= 128) & ((digits & 1) == 0)
        digits[~good] = 0
        length = (digits >> 1).astype(np.uint8)
        long = np.flatnonzero((digits > 16) & usable)
        data, valid = self._hexadecimal(self._data_start, np.minimum(digits, 16), 2)
        if len(long):
            wide = np.zeros((len(digits), 64), np.uint8)
            wide[:, :8] = data
            wide[long], valid[long] = self._hexadecimal(self._data_start[long], digits[long], 16)
            data = wide
        return data, length, good & valid

    def _hexadecimal(self, start: Integers, digits: Integers, words: int) -> tuple[Bytes, Mask]:
        """uint8 (n, 4 * words): the bytes written from `start` on, eight digits to a word, zero beyond `digits`."""
        data = np.empty((len(start), words, 4), np.uint8)
        valid = np.ones(len(start), np.bool_)
        for index in range(words):
            word = self._nibble_words[start + 8 * index].view(np.uint64)
            here = digits - 8 * index
            if (here < 8).any():
                word = word & KEEP_FIRST[np.clip(here, 0, 8)]
            valid &= (word & HIGH_NIBBLES) == 0
            data[:, index] = packed(word).view(np.uint16).reshape(-1, 4)
        return data.reshape(len(start), -1), valid

    def marks(self) -> tuple[Bytes, Mask]:
        """uint8 (n,): the flags FD, BRS, ESI and SENT."""
        flags = np.zeros(len(self._start), np.uint8)
        good = np.ones(len(self._start), np.bool_)
        if self._any_fd:
            mark = self._nibbles[self._after_identifier + 2]
            good = ~self._fd | (mark < 16)
            flags |= np.where(self._fd, FD + BRS * (mark & 1) + ESI * ((mark >> 1) & 1), 0).astype(np.uint8)
        if self._sent is not None:
            flags |= self._sent.view(np.uint8) * np.uint8(SENT)
        return flags, good

    def buses(self, usable: Mask, buses: BusNames) -> tuple[Integers, Mask]:
        """int64 (n,): the number of each usable line's bus. Stops early when `buses` is full."""
        words = _overlapping_words(self._text)
        start = self._after_time + 1
        width = self._after_bus - start
        named = usable & (width > 0) & (width <= 16)
        low = words[start].view(np.uint64) & KEEP_FIRST[np.clip(width, 0, 8)]
        long = bool((width[named] > 8).any())
        high = words[start + 8].view(np.uint64) & KEEP_FIRST[np.clip(width - 8, 0, 8)] if long else None
        number = np.zeros(len(start), np.int64)
        unnamed = named.copy()
        known = list(buses.keys)
        while unnamed.any() and not buses.full:
            if known:
                name = known.pop(0)
            else:
                row = int(unnamed.argmax())
                name = self._text[int(start[row]) : int(self._after_bus[row])]
            if len(name) > 16 or (len(name) > 8 and not long):
                continue
            key = np.frombuffer(name.ljust(16, b"\0"), np.uint64)
            same = unnamed & (low == key[0])
            if high is not None:
                same &= high == key[1]
            number[same] = buses.number(name)
            unnamed &= ~same
        return number, named


def _overlapping_words(text: bytes) -> NDArray[np.void]:
    """The eight bytes at every position of `text`, as a view; aligned nowhere, hence not uint64 yet."""
    return np.ndarray((len(text) - 7,), "V8", text, strides=(1,))


def packed(word: Words) -> Words:
    """Eight hexadecimal digits, one a byte, as four bytes in the lanes of sixteen bits."""
    return ((word << np.uint64(4)) | (word >> np.uint64(8))) & _PAIRS


def decimal(word: Words) -> tuple[Integers, Mask]:
    """The number that eight decimal digits make, one a byte, most significant first; and whether all are digits."""
    good: Mask = ((word | (word + _SIXES)) & HIGH_NIBBLES) == 0
    word = ((word * np.uint64(10 * 2**8 + 1)) >> np.uint64(8)) & _PAIRS
    word = ((word * np.uint64(100 * 2**16 + 1)) >> np.uint64(16)) & QUADS
    return ((word * np.uint64(10_000 * 2**32 + 1)) >> np.uint64(32)).view(np.int64), good
