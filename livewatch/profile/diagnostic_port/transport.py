"""Answers on the diagnostic port put back together (ISO 15765-2, normal and normal fixed addressing).

The frames of one sender come in, one call each, in order; complete answers come out. A `Reception` is the receiving
side of one identifier and holds at most one unfinished answer. What breaks off is told by the kind of oddity, never
raised:

- a single or first frame while an answer is unfinished ends that answer, and is taken;
- a consecutive frame out of sequence, too late or too short ends the answer;
- a frame that is no valid start and belongs to nothing is left out.
"""

from __future__ import annotations

__all__ = ["BROKE_OFF", "LATEST", "LONGEST", "MALFORMED", "TOO_LONG", "WITHOUT_START", "Reception"]

LATEST = 1_000_000_000
"""N_Cr of ISO 15765-2 (1000 ms), ns: an answer whose next frame comes later than this is given up."""
LONGEST = 65_535
"""Bytes; a first frame may announce 4 GiB, which no answer with live values needs."""

BROKE_OFF = "diagnostic answers that broke off"
WITHOUT_START = "diagnostic frames whose answer had no beginning"
MALFORMED = "malformed diagnostic frames"
TOO_LONG = "diagnostic answers too long to keep"


class Reception:
    """What has been received of one sender's answer. `receive` returns (the complete answer or None, oddities)."""

    __slots__ = ("_buffer", "_latest", "_next", "_skipping", "_total", "_width")

    def __init__(self) -> None:
        self._buffer: bytearray | None = None
        self._total = 0
        self._next = 0
        self._width = 0
        self._latest = 0
        self._skipping = False

    @property
    def unfinished(self) -> bool:
        """Whether an answer has begun whose end has not come."""
        return self._buffer is not None

    def receive(self, time: int, data: bytes) -> tuple[bytes | None, tuple[str, ...]]:
        """Take the next frame of this sender.

        Args:
            time: its time, ns.
            data: its data bytes.
        """
        kind = data[0] >> 4 if data else -1
        if kind == 0:
            return self._single(data)
        if kind == 1:
            return self._first(time, data)
        if kind == 2:
            return self._consecutive(time, data)
        return None, () if kind == 3 else (MALFORMED,)

    def _single(self, data: bytes) -> tuple[bytes | None, tuple[str, ...]]:
        size = data[0] & 15
        start = 1
        if len(data) > 8:  # CAN FD: the length is in the second byte
            if size:
                return None, (MALFORMED,)
            size, start = data[1], 2
        if not 0 < size <= len(data) - start:
            return None, (MALFORMED,)
        return data[start : start + size], self._end()

    def _first(self, time: int, data: bytes) -> tuple[bytes | None, tuple[str, ...]]:
        width = len(data)
        if width < 8:
            return None, (MALFORMED,)
        total = (data[0] & 15) << 8 | data[1]
        start = 2
        if total == 0:
            total = int.from_bytes(data[2:6], "big")
            start = 6
            if total <= 4095:
                return None, (MALFORMED,)
        if total <= (7 if width == 8 else width - 2):  # would have fitted a single frame
            return None, (MALFORMED,)
        odd = self._end()
        self._skipping = total > LONGEST
        if self._skipping:
            return None, (*odd, TOO_LONG)
        self._buffer = bytearray(data[start:])
        self._total, self._next, self._width, self._latest = total, 1, width, time
        return None, odd

    def _consecutive(self, time: int, data: bytes) -> tuple[bytes | None, tuple[str, ...]]:
        buffer = self._buffer
        if buffer is None:
            return None, () if self._skipping else (WITHOUT_START,)
        missing = min(self._total - len(buffer), self._width - 1)
        if time - self._latest > LATEST or data[0] & 15 != self._next or len(data) - 1 < missing:
            return None, self._end()
        buffer += data[1 : 1 + missing]
        if len(buffer) == self._total:
            self._buffer = None
            return bytes(buffer), ()
        self._next = (self._next + 1) & 15
        self._latest = time
        return None, ()

    def _end(self) -> tuple[str, ...]:
        """Give up the unfinished answer, if there is one."""
        broken = self._buffer is not None
        self._buffer = None
        self._skipping = False
        return (BROKE_OFF,) if broken else ()
