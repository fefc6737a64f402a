"""Messages longer than a frame, ISO 15765-2, as a control unit on the diagnostic port does it.

In: frames addressed to the unit, and messages it wants to send. Out: whole requests, and frames with the moment each is
due. There is no clock and no bus in here: time is a number the caller hands in, so that a drive written to a file and a
car in real time are the same code. Normal addressing; classic CAN, every frame padded to 8 bytes (ISO 15765-4).
"""

from __future__ import annotations

from dataclasses import dataclass

from livewatch.profile.diagnostic_port.transport import MALFORMED, TOO_LONG, Reception

__all__ = ["SegmentedLink"]

SINGLE, FIRST, FLOW_CONTROL = 0, 1, 3
"""Kinds of frames: the upper half of their first byte."""
CONTINUE, WAIT = 0, 1
"""What a flow control may say."""
PADDING = 0x00
TIMEOUT = 1.0
"""s to wait for a flow control (N_Bs)."""
LONGEST_GAP = 0.127
"""s between consecutive frames at most, which reserved values mean (ISO 15765-2)."""
FRAME_GAP = 0.0004
"""s between consecutive frames when the tester asks for none."""


@dataclass(slots=True)
class _Sending:
    """A long message on its way: what is left, next sequence number, and what the tester allowed."""

    rest: bytes
    number: int = 1
    deadline: float = 0.0


class SegmentedLink:
    """One pair of identifiers: requests come in, answers go out.

    `due` holds (time in s, data) in order; the owner takes them when their time has come.
    """

    def __init__(self) -> None:
        self.due: list[tuple[float, bytes]] = []
        self._sending: _Sending | None = None
        self._reception = Reception()

    def receive(self, data: bytes, time: float) -> bytes | None:
        """Take one frame addressed to the unit; the whole request when it is complete. Malformed frames are ignored, as
        ISO 15765-2 asks; a new request ends whatever was on its way."""
        kind = data[0] >> 4 if data else None
        if kind == FLOW_CONTROL:
            if len(data) >= 3:
                self._allow(data, time)
            return None
        message, odd = self._reception.receive(round(time * 1e9), data)
        if kind in (SINGLE, FIRST) and MALFORMED not in odd and TOO_LONG not in odd:
            self._sending = None
            self.due.clear()
            if kind == FIRST:
                self._put(time + FRAME_GAP, bytes((0x30, 0, 0)))
        return message

    def send(self, message: bytes, time: float) -> None:
        """Send `message` (1 to 4095 bytes) from `time` on."""
        if len(message) <= 7:
            self._put(time, bytes((len(message),)) + message)
            return
        self._put(time, bytes((0x10 | len(message) >> 8, len(message) & 0xFF)) + message[:6])
        self._sending = _Sending(message[6:], deadline=time + TIMEOUT)

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
            gap = LONGEST_GAP
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

    def _put(self, time: float, data: bytes) -> None:
        self.due.append((time, data.ljust(8, bytes((PADDING,)))))
