"""CAN frames as columns.

A `FrameBatch` is a run of frames in the order they were received, one numpy array a field, so that a million frames
are a handful of arrays. Sources make batches, the decoder reads them, the session folder writes them. A batch is
never changed after it was made; slicing gives views.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from livewatch.data.late_numpy import np

if TYPE_CHECKING:
    import can
    from numpy.typing import NDArray

__all__ = [
    "BRS",
    "ERROR",
    "ESI",
    "EXTENDED",
    "FD",
    "LARGEST_EXTENDED",
    "LARGEST_STANDARD",
    "MOST_BUSES",
    "REMOTE",
    "SENT",
    "FrameBatch",
]

EXTENDED = 1
"""29-bit identifier (ISO 11898-1)."""
REMOTE = 2
"""Remote frame: asks for data, carries none."""
ERROR = 4
"""Error frame."""
FD = 8
"""CAN FD frame."""
BRS = 16
"""CAN FD bit rate switch."""
ESI = 32
"""CAN FD error state indicator."""
SENT = 64
"""Transmitted by the recording node itself (a poll request, for example), not received."""

LARGEST_STANDARD = 0x7FF
"""The largest identifier of 11 bits (ISO 11898-1)."""
LARGEST_EXTENDED = 0x1FFFFFFF
"""The largest identifier of 29 bits (ISO 11898-1)."""
MOST_BUSES = 256
"""Buses in one batch: eight bits number them."""


@dataclass(frozen=True, slots=True, eq=False)
class FrameBatch:
    """Columns of n frames in order of arrival.

    Attributes:
        time: int64 (n,), nanoseconds since the Unix epoch as the source stamped them; may go backwards.
        bus: uint8 (n,), index into `buses`.
        identifier: uint32 (n,), arbitration identifier without flag bits.
        flags: uint8 (n,), sum of EXTENDED, REMOTE, ERROR, FD, BRS, ESI, SENT.
        length: uint8 (n,), data bytes, 0..64; for a remote frame the number of bytes asked for.
        data: uint8 (n, 8) or (n, 64), zero beyond `length`; 64 wide only when some frame is longer than 8 bytes.
        buses: names of the buses, as the source calls its channels until a bus map renames them.
    """

    time: NDArray[np.int64]
    bus: NDArray[np.uint8]
    identifier: NDArray[np.uint32]
    flags: NDArray[np.uint8]
    length: NDArray[np.uint8]
    data: NDArray[np.uint8]
    buses: tuple[str, ...]

    def __len__(self) -> int:
        return len(self.time)

    def __getitem__(self, where: slice | NDArray[np.bool_] | NDArray[np.intp]) -> FrameBatch:
        return FrameBatch(
            self.time[where],
            self.bus[where],
            self.identifier[where],
            self.flags[where],
            self.length[where],
            self.data[where],
            self.buses,
        )

    @classmethod
    def empty(cls, buses: Sequence[str] = ()) -> FrameBatch:
        """A batch of no frames."""
        return cls(
            np.empty(0, np.int64),
            np.empty(0, np.uint8),
            np.empty(0, np.uint32),
            np.empty(0, np.uint8),
            np.empty(0, np.uint8),
            np.empty((0, 8), np.uint8),
            tuple(buses),
        )

    @classmethod
    def concatenate(cls, batches: Iterable[FrameBatch]) -> FrameBatch:
        """One batch of all the given ones, in order. Bus indices are rewritten to one common list of names."""
        parts = list(batches)
        if not parts:
            return cls.empty()
        if len(parts) == 1:
            return parts[0]
        names: dict[str, int] = {}
        buses: list[NDArray[np.uint8]] = []
        for part in parts:
            table = np.array([names.setdefault(name, len(names)) for name in part.buses] or [0], np.uint8)
            buses.append(table[part.bus])
        width = max(part.data.shape[1] for part in parts)
        data = np.zeros((sum(map(len, parts)), width), np.uint8)
        at = 0
        for part in parts:
            data[at : at + len(part), : part.data.shape[1]] = part.data
            at += len(part)
        return cls(
            np.concatenate([part.time for part in parts]),
            np.concatenate(buses),
            np.concatenate([part.identifier for part in parts]),
            np.concatenate([part.flags for part in parts]),
            np.concatenate([part.length for part in parts]),
            data,
            tuple(names),
        )

    def to_messages(self) -> list[can.Message]:
        """The frames as python-can messages, `channel` set to the bus name."""
        from livewatch.data.python_can import can

        return [
            can.Message(
                timestamp=int(self.time[i]) / 1e9,
                arbitration_id=int(self.identifier[i]),
                is_extended_id=bool(self.flags[i] & EXTENDED),
                is_remote_frame=bool(self.flags[i] & REMOTE),
                is_error_frame=bool(self.flags[i] & ERROR),
                is_fd=bool(self.flags[i] & FD),
                bitrate_switch=bool(self.flags[i] & BRS),
                error_state_indicator=bool(self.flags[i] & ESI),
                is_rx=not self.flags[i] & SENT,
                channel=self.buses[self.bus[i]],
                dlc=int(self.length[i]),
                data=None if self.flags[i] & REMOTE else self.data[i, : self.length[i]].tobytes(),
            )
            for i in range(len(self))
        ]
