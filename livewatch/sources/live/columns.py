"""From python-can's messages to columns, as cheaply as Python can.

A run of `can.Message` objects of one bus comes in, a `FrameBatch` comes out. This is the only work livewatch does per
live frame in Python itself, so it goes over the messages once and leaves the rest to numpy. What comes out equals
`FrameBatch.from_messages`, except that time stamps are rounded to whole microseconds: the session folder writes that
much, and a replay of it must see the very frames that were watched.
"""

from __future__ import annotations

from collections.abc import Sequence

import can
import numpy as np
from numpy.typing import NDArray

from livewatch.data.frames import BRS, ERROR, ESI, EXTENDED, FD, REMOTE, SENT, FrameBatch

__all__ = ["columns_of"]

_FLAG_ORDER = (EXTENDED, REMOTE, ERROR, FD, BRS, ESI)


def columns_of(messages: Sequence[can.Message], bus: int, buses: tuple[str, ...]) -> FrameBatch:
    """One batch of all `messages`, in order, as frames of bus number `bus` of `buses`.

    Time stamps are taken as they are, in seconds, and rounded to microseconds; a stamp that is no number becomes 0.
    Data beyond 64 bytes is cut off.
    """
    if not messages:
        return FrameBatch.empty(buses)
    n = len(messages)
    stamps, identifiers, lengths, payloads, received, *marks = zip(
        *[
            (
                message.timestamp,
                message.arbitration_id,
                message.dlc,
                message.data,
                message.is_rx,
                message.is_extended_id,
                message.is_remote_frame,
                message.is_error_frame,
                message.is_fd,
                message.bitrate_switch,
                message.error_state_indicator,
            )
            for message in messages
        ],
        strict=True,
    )
    seconds = np.array(stamps, np.float64)
    seconds[~np.isfinite(seconds)] = 0.0
    time = np.rint(seconds * 1e6).astype(np.int64) * 1000
    flags = np.zeros(n, np.uint8)
    if False in received:
        flags |= np.where(np.array(received, np.bool_), 0, SENT).astype(np.uint8)
    for flag, mark in zip(_FLAG_ORDER, marks, strict=True):
        if True in mark:
            flags |= np.array(mark, np.bool_) * np.uint8(flag)
    size = np.minimum(np.fromiter(map(len, payloads), np.int64, n), 64)
    data = _data(payloads, size)
    # A remote frame carries nothing; its length says how many bytes it asks for.
    length = np.where(flags & REMOTE, np.minimum(np.array(lengths, np.int64), 64), size).astype(np.uint8)
    identifier = (np.array(identifiers, np.int64) & 0x1FFFFFFF).astype(np.uint32)
    return FrameBatch(time, np.full(n, bus, np.uint8), identifier, flags, length, data, buses)


def _data(payloads: Sequence[bytearray], size: NDArray[np.int64]) -> NDArray[np.uint8]:
    """uint8 (n, 8) or (n, 64), zero beyond each payload; `size` is int64 (n,), the bytes to take of each."""
    widest = int(size.max())
    width = 64 if widest > 8 else 8
    if widest == int(size.min()) == width:
        flat = b"".join(payloads) if width == 8 else b"".join([payload[:64] for payload in payloads])
        return np.frombuffer(flat, np.uint8).reshape(-1, width)
    data = np.zeros((len(payloads), width), np.uint8)
    flat = b"".join([payload[:64] for payload in payloads])
    data[np.arange(width) < size[:, None]] = np.frombuffer(flat, np.uint8)
    return data
