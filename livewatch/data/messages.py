"""From python-can's messages to columns, as cheaply as Python can.

A run of `can.Message` objects comes in, a `FrameBatch` comes out. This is the only work livewatch does per live
frame in Python itself, so it goes over the messages once and leaves the rest to numpy.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from livewatch.data.frames import BRS, ERROR, ESI, EXTENDED, FD, REMOTE, SENT, FrameBatch
from livewatch.data.late_numpy import np

if TYPE_CHECKING:
    import can
    from numpy.typing import NDArray

__all__ = ["columns_by_channel", "columns_of"]

_FLAG_ORDER = (EXTENDED, REMOTE, ERROR, FD, BRS, ESI)
MICROSECOND = 1000
"""Nanoseconds that live stamps are rounded to: the session folder writes that much, and a replay of it must see the
very frames that were watched."""


def columns_by_channel(messages: Sequence[can.Message]) -> FrameBatch:
    """One batch of all `messages`, in order; a message's `channel` (as text, "0" when it has none) names its bus. Time
    stamps are rounded to nanoseconds."""
    names: dict[str, int] = {}
    channels = ["0" if message.channel is None else str(message.channel) for message in messages]
    bus = np.array([names.setdefault(channel, len(names)) for channel in channels], np.uint8)
    return columns_of(messages, bus, tuple(names), 1)


def columns_of(
    messages: Sequence[can.Message], bus: int | NDArray[np.uint8], buses: tuple[str, ...], step: int = MICROSECOND
) -> FrameBatch:
    """One batch of all `messages`, in order, as frames of the bus, or the uint8 (n,) buses, of that number in `buses`.

    Time stamps are taken as they are, in seconds, and rounded to `step` nanoseconds; a stamp that is no number becomes
    0. Data beyond 64 bytes is cut off.
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
    time = np.rint(seconds * (1e9 / step)).astype(np.int64) * step
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
    return FrameBatch(
        time, np.broadcast_to(np.asarray(bus, np.uint8), n).copy(), identifier, flags, length, data, buses
    )


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
