"""Messages longer than a frame, ISO 15765-2, as a control unit on the diagnostic port does it.

In: frames addressed to the unit, and messages it wants to send. Out: whole requests, and frames with the moment each is
due. There is no clock and no bus in here: time is a number the caller hands in, so that a drive written to a file and a
car in real time are the same code. Normal addressing; classic CAN, every frame padded to 8 bytes (ISO 15765-4).
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Link"]

SINGLE, FIRST, CONSECUTIVE, FLOW_CONTROL = 0, 1, 2, 3
CONTINUE, WAIT = 0, 1
PADDING = 0x00
TIMEOUT = 1.0
"""s to wait for a flow control or a consecutive frame (N_Bs, N_Cr)."""
FRAME_GAP = 0.0004
"""s between consecutive frames when the tester asks for none."""


@dataclass(slots=True)
class _Sending:
    """A long message on its way: what is left, next sequence number, and what the tester allowed."""

    rest: bytes
    number: int = 1
    deadline: float = 0.0


class Link:
    """One pair of identifiers: requests come in, answers go out.

    `due` holds (time in s, data) in order; the owner takes them when their time has come.
    """

    def __init__(self) -> None:
        self.due: list[tuple[float, bytes]] = []
        self._sending: _Sending | None = None
        self._receiving: bytearray | None = None
        self._expected = 0
        self._number = 0
        self._deadline = 0.0

    def receive(self, data: bytes, time: float) -> bytes | None:
        """Take one frame addressed to the unit; the whole request when it is complete. Malformed frames are ignored, as
        ISO 15765-2 asks."""
        if not data:
            return None
        kind = data[0] >> 4
        if kind == SINGLE:
            length = data[0] & 15
            if 0 < length <= len(data) - 1:
                self._abandon()
                return bytes(data[1 : 1 + length])
        elif kind == FIRST and len(data) == 8:
            length = (data[0] & 15) << 8 | data[1]
            if length > 7:
                self._abandon()
                self._receiving = bytearray(data[2:])
                self._expected = length
                self._number = 1
                self._deadline = time + TIMEOUT
                self._put(time + FRAME_GAP, bytes((0x30, 0, 0)))
        elif kind == CONSECUTIVE:
            return self._continue(data, time)
        elif kind == FLOW_CONTROL and len(data) >= 3:
            self._allow(data, time)
        return None

    def send(self, message: bytes, time: float) -> None:
        """Send `message` (1 to 4095 bytes) from `time` on."""
        if len(message) <= 7:
            self._put(time, bytes((len(message),)) + message)
            return
        self._put(time, bytes((0x10 | len(message) >> 8, len(message) & 0xFF)) + message[:6])
        self._sending = _Sending(message[6:], deadline=time + TIMEOUT)

    def _continue(self, data: bytes, time: float) -> bytes | None:
        if self._receiving is None:
            return None
        if time > self._deadline or data[0] & 15 != self._number:
            self._receiving = None
            return None
        self._receiving += data[1:]
        self._number = (self._number + 1) & 15
        self._deadline = time + TIMEOUT
        if len(self._receiving) < self._expected:
            return None
        message = bytes(self._receiving[: self._expected])
        self._receiving = None
        return message

    def _allow(self, data: bytes, time: float) -> None:
        sending = self._sending
        if sending is None:
            return
        status, block, minimum = data[0] & 15, data[1], data[2]
        if time > sending.deadline or status not in (CONTINUE, WAIT):
            self._sending = None
            return
        if status == WAIT:
            sending.deadline = time + TIMEOUT
            return
        gap = max(FRAME_GAP, minimum / 1000.0 if minimum <= 0x7F else (minimum - 0xF0) / 10_000.0)
        if 0x80 <= minimum <= 0xF0 or minimum > 0xF9:
            # Reserved values mean the longest pause (ISO 15765-2).
            gap = 0.127
        moment = time
        sent = 0
        while sending.rest and (block == 0 or sent < block):
            moment += gap
            self._put(moment, bytes((0x20 | sending.number,)) + sending.rest[:7])
            sending.rest = sending.rest[7:]
            sending.number = (sending.number + 1) & 15
            sent += 1
        sending.deadline = moment + TIMEOUT
        if not sending.rest:
            self._sending = None

    def _abandon(self) -> None:
        """A new request ends whatever was on its way."""
        self._sending = None
        self._receiving = None
        self.due.clear()

    def _put(self, time: float, data: bytes) -> None:
        self.due.append((time, data.ljust(8, bytes((PADDING,)))))
