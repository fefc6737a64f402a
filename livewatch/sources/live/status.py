"""How a live bus is doing: what the screen shows of it.

Frames as they are taken come in, a `BusStatus` comes out at any time: state, rate, load, errors, losses. The load is
the share of bus time that the frames took at the most: the longest frame of their length, stuff bits included (Davis,
Burns, Bril, Lukkien 2007, equation for C_m, ISO 11898-1), so the true load is at or below it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from livewatch.data.frames import ERROR, EXTENDED, FD, REMOTE, FrameBatch

__all__ = ["FELL_BEHIND", "LOST_BEFORE", "BusState", "BusStatus", "Traffic", "worst_case_bits"]

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
            is not known or CAN FD frames were among them.
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


class Traffic:
    """Counts the frames of one bus. `bitrate` in bit/s, None when not known; times are any monotonic ns."""

    def __init__(self, bitrate: int | None, now: int) -> None:
        self.frames = 0
        self.error_frames = 0
        self.last: int | None = None
        self._bitrate = bitrate
        self._since = now
        self._frames = 0
        self._bits = 0
        self._unknown = False
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
            self._bits += int(worst_case_bits(batch).sum())
            self._unknown = self._unknown or bool(np.any(batch.flags & FD))

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
        self._load = None if self._bitrate is None or self._unknown else self._bits / seconds / self._bitrate
        self._since = now
        self._frames = self._bits = 0
        self._unknown = False
