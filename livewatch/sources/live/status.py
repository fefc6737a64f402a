"""How a live bus is doing: what the screen shows of it.

Frames as they are taken come in, a `BusStatus` comes out at any time: state, rate, load, errors, losses. The load is
the share of bus time that the frames took at the most: the longest frame of their length, stuff bits included (Davis,
Burns, Bril, Lukkien 2007, equation for C_m; for CAN FD the fields of ISO 11898-1:2015), so the true load is at or below
it.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import isnan, nan
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from livewatch.data.frames import BRS, ERROR, EXTENDED, FD, REMOTE, FrameBatch

__all__ = ["FELL_BEHIND", "LOST_BEFORE", "BusState", "BusStatus", "Traffic", "worst_case_bits", "worst_case_bits_fd"]

BusState = Literal["open", "silent", "error passive", "bus off", "lost"]
SILENT_AFTER = 2.0
"""Seconds without a frame after which a bus is called silent."""
SECOND = 1_000_000_000
LOST_BEFORE, FELL_BEHIND = "frames lost before livewatch could read them", "frames lost because livewatch fell behind"
"""How lost frames are counted: in the kernel or the adapter, and in the queue of a bus."""


@dataclass(frozen=True, slots=True)
class BusStatus:
    """One bus, now.

    Attributes:
        name, adapter: the bus's name, and interface:channel.
        state: `open`: frames come; `silent`: none for two seconds; `error passive`, `bus off`: as the controller says
            (ISO 11898-1); `lost`: the adapter cannot be read, and is tried again.
        trouble: why it is lost, empty otherwise.
        frames: received since the start.
        rate: frames per second over the last second.
        load: upper bound of the share of bus time used over the last second, 0..1 and above; None while the bit rate
            is not known, or that of the data phase with CAN FD frames that switch to it.
        error_frames, unreadable, dropped, losses: error frames; messages of the adapter that made no sense; frames
            that no longer fitted into a buffer; times the adapter was lost.
        age: seconds since the last frame, None before the first.
        silent_on_wire: True when the adapter was told not even to acknowledge, False when it takes part, None when its
            interface cannot be told through python-can.
        clock_off: seconds that the newest time stamp lay behind the host's clock when it was taken, None before the
            first frame. A few milliseconds are the way through the adapter; growth is the adapter's clock going wrong.
    """

    name: str
    adapter: str
    state: BusState
    trouble: str
    frames: int
    rate: float
    load: float | None
    error_frames: int
    unreadable: int
    dropped: int
    losses: int
    age: float | None
    silent_on_wire: bool | None
    clock_off: float | None


def worst_case_bits(batch: FrameBatch) -> NDArray[np.int64]:
    """int64 (n,): the longest each frame can be on the wire, in bits, interframe space included.

    bits = g + 8 s + 13 + floor((g + 8 s - 1) / 4), g = 34 for standard and 54 for extended identifiers, s data bytes
    (none in a remote frame). Meaningless for CAN FD and error frames.
    """
    control = np.where(batch.flags & EXTENDED, 54, 34).astype(np.int64)
    data = np.where(batch.flags & REMOTE, 0, np.minimum(batch.length, 8)).astype(np.int64)
    stuffed = control + 8 * data
    return stuffed + 13 + (stuffed - 1) // 4


def worst_case_bits_fd(batch: FrameBatch) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """int64 (n,) twice: the longest each CAN FD frame can be, in bits at the nominal rate, interframe space included,
    and in bits that go at the rate of the data phase where the frame switches.

    ISO 11898-1:2015: 17 bits up to the switch (36 with an extended identifier), then 5 bits and the data, a stuff bit
    after every four of these at the worst; a stuff count of 4 and a checksum of 17 bits (21 above 16 bytes) with 6 (7)
    fixed stuff bits; delimiters, acknowledgement, end of frame and interframe space, 13 bits.
    """
    before = np.where(batch.flags & EXTENDED, 36, 17).astype(np.int64)
    inside = 5 + 8 * batch.length.astype(np.int64)
    nominal = before + (before - 1) // 4
    fast = inside + (before + inside - 1) // 4 - (before - 1) // 4 + np.where(batch.length > 16, 4 + 21 + 7, 4 + 17 + 6)
    return nominal + 13, fast


def _bus_time(batch: FrameBatch, bitrate: int, data_bitrate: int | None) -> float:
    """Seconds that the frames took at the most; NaN where a rate is not known."""
    flexible = (batch.flags & FD) != 0
    if not flexible.any():
        return int(worst_case_bits(batch).sum()) / bitrate
    nominal, fast = worst_case_bits_fd(batch[flexible])
    switched = (batch.flags[flexible] & BRS) != 0
    quick = int(fast[switched].sum())
    slow = int(worst_case_bits(batch[~flexible]).sum()) + int(nominal.sum()) + int(fast[~switched].sum())
    if not quick:
        return slow / bitrate
    return slow / bitrate + (nan if data_bitrate is None else quick / data_bitrate)


class Traffic:
    """Counts the frames of one bus. `bitrate` and that of CAN FD's data phase in bit/s, None when not known; times are
    any monotonic ns."""

    def __init__(self, bitrate: int | None, now: int, data_bitrate: int | None = None) -> None:
        self.frames = 0
        self.error_frames = 0
        self.last: int | None = None
        self._bitrate, self._data_bitrate = bitrate, data_bitrate
        self._since = now
        self._frames = 0
        self._busy = 0.0
        self._rate = 0.0
        self._load: float | None = None if bitrate is None else 0.0

    def add(self, batch: FrameBatch, now: int) -> None:
        """Count the frames of `batch`, taken at `now`."""
        self._roll(now)
        error = (batch.flags & ERROR) != 0
        errors = int(np.count_nonzero(error))
        self.error_frames += errors
        if errors:
            batch = batch[~error]
        if not len(batch):
            return
        self.last = now
        self.frames += len(batch)
        self._frames += len(batch)
        if self._bitrate is not None:
            self._busy += _bus_time(batch, self._bitrate, self._data_bitrate)

    def rate_and_load(self, now: int) -> tuple[float, float | None]:
        """Frames per second and load over the last full second."""
        self._roll(now)
        return self._rate, self._load

    def _roll(self, now: int) -> None:
        past = now - self._since
        if past < SECOND:
            return
        seconds = past / SECOND
        self._rate = self._frames / seconds
        self._load = None if self._bitrate is None or isnan(self._busy) else self._busy / seconds
        self._since = now
        self._frames, self._busy = 0, 0.0
