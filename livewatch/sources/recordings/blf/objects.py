"""Objects of an unpacked BLF stream to frames, a whole chunk at a time.

A run of objects comes in as bytes; one `FrameBatch` of those that are CAN frames goes out, with the bytes behind the
last whole object. Objects are found by their mark: when each begins where the one before ends, all were found at
once; only where that fails are they walked one by one, and what lies between them is counted as garbage. Then all
objects of one kind are taken apart together. Layout of the kinds as in python-can's `can/io/blf.py` (there is no
published specification).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from livewatch.data.frames import BRS, ERROR, ESI, EXTENDED, FD, REMOTE, SENT, FrameBatch
from livewatch.sources.recordings.blf.header import HEADER, MARK

__all__ = ["parse_objects"]

_MARK_WORD = int.from_bytes(MARK, "little")
_SMALLEST, _LARGEST_FRAME, _LARGEST = 16, 1 << 12, 1 << 24
_MOST_BUSES = 256
_GAP = 8
"""Padding is shorter than this; more between two objects is garbage."""
_BEHIND = 128
"""Bytes of padding, so that fields may be looked at before it is known whether they are there."""

_LAYOUTS = {1: 1, 86: 1, 73: 2, 100: 3, 101: 4}
"""Object kind to layout: message (two kinds), error frame, CAN FD message, CAN FD message of the later kind."""
_LAYOUT = np.array([_LAYOUTS.get(kind, 0) for kind in range(256)], np.uint8)
_NEEDED = np.array([0, 16, 32, 84, 40])
"""Bytes an object of each layout has at least behind its header."""
_MESSAGE, _ERROR_FRAME, _FD_MESSAGE, _FD_MESSAGE_64 = 1, 2, 3, 4
_CARRIED = np.array([(1 << 8 * length) - 1 for length in range(9)], "<u8")
"""The bits of so many data bytes in a word."""
_EXTENDED_BIT, _IDENTIFIER_BITS = 0x80000000, 0x1FFFFFFF
_LENGTH_OF_CODE = np.array([0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, *[64] * 241], np.uint8)
"""Data length code to bytes (ISO 11898-1)."""
_TEN_MICROSECONDS = 1

Integers = NDArray[np.int64]
Bytes = NDArray[np.uint8]


class _Fields:
    """Numbers at byte offsets of many objects at once; those at equal distances, the usual case, are read in place."""

    __slots__ = ("_distance", "at", "content")

    def __init__(self, content: bytes, at: Integers) -> None:
        self.content = content
        self.at = at
        distance = int(at[1] - at[0]) if len(at) > 1 else 0
        self._distance = distance if distance and bool((np.diff(at) == distance).all()) else 0

    def __call__(self, offset: int, kind: str) -> Integers:
        """int64 (n,): the little-endian number of numpy type `kind` at `offset` of each object."""
        if self._distance:
            return self._in_place(offset, kind).astype(np.int64)
        size = np.dtype(kind).itemsize
        number: Integers = _windows(self.content, size)[self.at + offset].view(kind).astype(np.int64)
        return number

    def data(self, offset: int, width: int) -> Bytes:
        """uint8 (n, width): the bytes at `offset` of each object."""
        if self._distance:
            return self._in_place(offset, f"V{width}").copy().view(np.uint8).reshape(-1, width)
        data: Bytes = _windows(self.content, width)[self.at + offset].view(np.uint8).reshape(-1, width)
        return data

    def _in_place(self, offset: int, kind: str) -> NDArray[Any]:
        shape, strides = (len(self.at),), (self._distance,)
        return np.ndarray(shape, kind, self.content, int(self.at[0]) + offset, strides)


def parse_objects(content: bytes, start: int, counts: Counter[str]) -> tuple[list[FrameBatch], bytes]:
    """The frames of the whole objects in `content`, and what is left behind the last of them.

    `start` is when the recording began (ns since the Unix epoch). A bus is named by its channel number less one, as
    python-can has it. There is one batch, or several when frames of more than 256 channels are in `content`. What
    carries no frame is counted.
    """
    found, end = _regular(content)
    if found is not None and (plain := _plain_messages(content, len(found), int(found[1]), start)) is not None:
        return [plain], content[end:]
    if found is None:
        found, end = _chain(content)
    if found is None:
        found, end = _walk(content, counts)
    fields = _Fields(content + bytes(_BEHIND), found)
    size, kind, version = fields(8, "<u4"), fields(12, "<u4"), fields(6, "<u2")
    layout = _LAYOUT[np.minimum(kind, 255)]
    is_frame = layout > 0
    known = (version == 1) | (version == 2)
    body = np.where(version == 2, 40, 32)
    whole = body + _NEEDED[layout] <= size
    _count(counts, "objects of a kind that carries no frame", ~is_frame)
    _count(counts, "frames in objects of an unknown version", is_frame & ~known)
    _count(counts, "frames in objects too short for them", is_frame & known & ~whole)
    chosen = np.flatnonzero(is_frame & known & whole)
    channel = _Fields(fields.content, found[chosen] + body[chosen])(0, "<u2")
    many = len(chosen) > 0 and np.count_nonzero(np.bincount(channel)) > _MOST_BUSES
    step = _MOST_BUSES if many else max(1, len(chosen))
    batches = []
    for first in range(0, len(chosen), step):
        rows = chosen[first : first + step]
        part = _Fields(fields.content, found[rows])
        batches.append(_frames(part, layout[rows], body[rows], size[rows], start, counts))
    return batches, content[end:]


def _count(counts: Counter[str], what: str, where: NDArray[np.bool_]) -> None:
    if number := int(where.sum()):
        counts[what] += number


def _windows(content: bytes, width: int) -> NDArray[np.void]:
    """The `width` bytes at every position of `content`, as a view."""
    return np.ndarray((len(content) - width + 1,), f"V{width}", content, strides=(1,))


def _regular(content: bytes) -> tuple[Integers | None, int]:
    """Like `_chain`, for objects that are all as large as the first one; None when they are not."""
    if len(content) < HEADER.size:
        return None, 0
    size = int.from_bytes(content[8:12], "little")
    distance = size + -size % 4
    if not _SMALLEST <= size <= _LARGEST_FRAME or len(content) < 2 * distance:
        return None, 0
    count = len(content) // distance
    for offset, wanted in ((0, _MARK_WORD), (8, size)):
        if (np.ndarray((count,), "<u4", content, offset, (distance,)) != wanted).any():
            return None, 0
    rest = content[count * distance :]
    if not MARK.startswith(rest[:4]):
        return None, 0
    return np.arange(count, dtype=np.int64) * distance, count * distance


def _plain_messages(content: bytes, count: int, distance: int, start: int) -> FrameBatch | None:
    """The frames of objects that are all messages (kind 1 or 86) with the same header, read column by column in place;
    None when they are not all plain in that sense. `content` begins with `count` objects, `distance` bytes apart."""

    def column(offset: int, kind: str) -> NDArray[Any]:
        return np.ndarray((count,), kind, content, offset, (distance,))

    places = ((12, 4), (6, 2), (16, 4), (8, 4))
    kind, version, unit, size = (int.from_bytes(content[at : at + width], "little") for at, width in places)
    body = {1: 32, 2: 40}.get(version, 0)
    if _LAYOUTS.get(kind) != _MESSAGE or not body or body + int(_NEEDED[_MESSAGE]) > size:
        return None
    for offset, width, wanted in ((12, "<u4", kind), (6, "<u2", version), (16, "<u4", unit)):
        if (column(offset, width) != wanted).any():
            return None
    stamp, factor = column(24, "<i8").astype(np.int64), 10_000 if unit == _TEN_MICROSECONDS else 1
    if int(stamp.min()) < 0 or int(stamp.max()) > (2**63 - 1 - start) // factor:
        return None
    stamp *= factor
    stamp += start
    channel, marks, identifier = column(body, "<u2"), column(body + 2, "<u1"), column(body + 4, "<u4").astype(np.uint32)
    one = channel[:1]
    channels = one if (channel == one).all() else np.flatnonzero(np.bincount(channel))
    if len(channels) > _MOST_BUSES:
        return None
    length = carried = np.minimum(column(body + 3, "<u1"), np.uint8(8))
    flags = (identifier >> np.uint32(31)).astype(np.uint8) * np.uint8(EXTENDED)
    if marks.any():
        flags |= (marks >> 7) * np.uint8(REMOTE) | (marks & 1) * np.uint8(SENT)
        carried = np.where(flags & REMOTE, np.uint8(0), length)
    words = column(body + 8, "<u8").copy()
    words &= _CARRIED[carried]
    data = words.view(np.uint8).reshape(count, 8)
    return FrameBatch(
        stamp,
        np.searchsorted(channels, channel).astype(np.uint8) if len(channels) > 1 else np.zeros(count, np.uint8),
        identifier & np.uint32(_IDENTIFIER_BITS),
        flags,
        length,
        data,
        tuple(str(number - 1) for number in channels.tolist()),
    )


def _chain(content: bytes) -> tuple[Integers | None, int]:
    """Positions of all objects when they follow each other without a gap, and where the last one ends; else None."""
    marks = [
        np.flatnonzero(np.frombuffer(content, "<u4", (len(content) - shift) // 4, shift) == _MARK_WORD) * 4 + shift
        for shift in range(4)
        if len(content) >= 4 + shift
    ]
    found = np.sort(np.concatenate(marks)) if marks else np.empty(0, np.int64)
    if not len(found):
        return None, 0
    if int(found[-1]) + HEADER.size > len(content):
        found = found[:-1]
    if not len(found) or found[0] >= _GAP:
        return None, 0
    size = _Fields(content, found)(8, "<u4")
    last = int(found[-1] + size[-1])
    gap = found[1:] - (found[:-1] + size[:-1])
    if (size < _SMALLEST).any() or size[-1] > _LARGEST or (gap < 0).any() or (gap >= _GAP).any():
        return None, 0
    if last > len(content):
        return found[:-1], int(found[-1])
    return found, last


def _walk(content: bytes, counts: Counter[str]) -> tuple[Integers, int]:
    """Like `_chain`, one object after the other, over any garbage between them.

    An object that is followed by something else than another one is itself taken for garbage: bytes were lost or
    came in somewhere before its end, perhaps in its data.
    """
    found: list[int] = []
    garbage = at = end = 0
    while True:
        mark = content.find(MARK, at)
        if mark < 0:
            # The mark of the next object may have begun.
            kept = max(end, len(content) - len(MARK) + 1)
            break
        if mark + HEADER.size > len(content):
            kept = mark
            break
        _, _, _, size, kind = HEADER.unpack_from(content, mark)
        after = mark + size
        if not _SMALLEST <= size <= (_LARGEST_FRAME if kind in _LAYOUTS else _LARGEST):
            at = mark + len(MARK)
        elif after > len(content):
            kept = mark
            break
        elif after + _GAP + len(MARK) <= len(content) and content.find(MARK, after, after + _GAP + len(MARK)) < 0:
            at = mark + len(MARK)
        else:
            garbage += mark - end if mark - end >= _GAP else 0
            found.append(mark)
            at = end = after
    garbage += kept - end if kept - end >= _GAP else 0
    if garbage:
        counts["bytes of garbage skipped"] += garbage
    return np.array(found, np.int64), kept


def _frames(
    fields: _Fields, layout: Bytes, body: Integers, size: Integers, start: int, counts: Counter[str]
) -> FrameBatch:
    n = len(layout)
    stamp = fields(24, "<i8")
    tens = fields(16, "<u4") == _TEN_MICROSECONDS
    latest = 2**63 - 1 - start
    usable = (stamp >= 0) & (stamp <= np.where(tens, latest // 10_000, latest))
    _count(counts, "frames with a field out of range", ~usable)
    long = bool((layout >= _FD_MESSAGE).any())
    channel, identifier, flags, length = (np.zeros(n, np.int64) for _ in range(4))
    data = np.zeros((n, 64 if long else 8), np.uint8)
    for number, take in _TAKERS:
        rows = np.flatnonzero(layout == number)
        if len(rows):
            part = take(_Fields(fields.content, fields.at[rows] + body[rows]), body[rows], size[rows])
            channel[rows], identifier[rows], flags[rows], length[rows], payload = part
            data[rows, : payload.shape[1]] = payload
    flags |= np.where(identifier & _EXTENDED_BIT, EXTENDED, 0)
    carried = np.where(flags & REMOTE, 0, length)
    if (carried < data.shape[1]).any():
        data[np.arange(data.shape[1]) >= carried[:, None]] = 0
    if long and not (carried > 8).any():
        data = data[:, :8]
    channels = np.flatnonzero(np.bincount(channel))
    batch = FrameBatch(
        start + np.where(tens, stamp * 10_000, stamp),
        np.searchsorted(channels, channel).astype(np.uint8),
        (identifier & _IDENTIFIER_BITS).astype(np.uint32),
        flags.astype(np.uint8),
        length.astype(np.uint8),
        data,
        tuple(str(number - 1) for number in channels.tolist()),
    )
    return batch if usable.all() else batch[usable]


_Taken = tuple[Integers, Integers, Integers, Integers, Bytes]
"""Channel, identifier with its flag bit, flags without EXTENDED, length, data (n, 8 or 64)."""


def _flag(number: Integers, bit: int, flag: int) -> Integers:
    """`flag` where `bit` is set in the number."""
    return (number & bit) // bit * flag


def _messages(body: _Fields, *_: Integers) -> _Taken:
    marks = body(2, "<u1")
    flags = _flag(marks, 0x80, REMOTE) + _flag(marks, 0x01, SENT)
    return body(0, "<u2"), body(4, "<u4"), flags, np.minimum(body(3, "<u1"), 8), body.data(8, 8)


def _errors(body: _Fields, *_: Integers) -> _Taken:
    flags = np.full(len(body.at), ERROR, np.int64)
    return body(0, "<u2"), body(16, "<u4"), flags, np.minimum(body(10, "<u1"), 8), body.data(24, 8)


def _fd_messages(body: _Fields, *_: Integers) -> _Taken:
    marks, fd_marks = body(2, "<u1"), body(13, "<u1")
    flags = _flag(marks, 0x80, REMOTE) + _flag(marks, 0x01, SENT)
    flags += _flag(fd_marks, 0x1, FD) + _flag(fd_marks, 0x2, BRS) + _flag(fd_marks, 0x4, ESI)
    wanted = _LENGTH_OF_CODE[body(3, "<u1")]
    length = np.where(flags & REMOTE, wanted, np.minimum(body(14, "<u1"), 64))
    return body(0, "<u2"), body(4, "<u4"), flags, length, body.data(20, 64)


def _fd_messages_64(body: _Fields, header: Integers, size: Integers) -> _Taken:
    marks, sent = body(12, "<u4"), body(34, "<u1") != 0
    flags = _flag(marks, 0x10, REMOTE) + sent * SENT
    flags += _flag(marks, 0x1000, FD) + _flag(marks, 0x2000, BRS) + _flag(marks, 0x4000, ESI)
    wanted = _LENGTH_OF_CODE[body(1, "<u1")]
    length = np.where(flags & REMOTE, wanted, np.minimum(body(2, "<u1"), 64))
    # Fewer bytes than announced may be there: the object ends, or other fields begin. The rest counts as zero.
    others = body(35, "<u1")
    there = np.where(others, others, size) - header - _NEEDED[_FD_MESSAGE_64]
    data = body.data(40, 64)
    data[np.arange(64) >= there[:, None]] = 0
    return body(0, "<u1"), body(4, "<u4"), flags, length, data


_TAKERS: tuple[tuple[int, Callable[[_Fields, Integers, Integers], _Taken]], ...] = (
    (_MESSAGE, _messages),
    (_ERROR_FRAME, _errors),
    (_FD_MESSAGE, _fd_messages),
    (_FD_MESSAGE_64, _fd_messages_64),
)
