"""One line of candump text to a frame. What is a frame is decided here alone; `lines` reads the usual ones faster."""

from __future__ import annotations

import re
from dataclasses import dataclass

from livewatch.data.frames import BRS, ERROR, ESI, EXTENDED, FD, REMOTE, SENT

__all__ = ["ERROR_BIT", "EXTENDED_BIT", "IDENTIFIER_BITS", "MOST_SECONDS", "PlainFrame", "parse_line"]

ERROR_BIT, EXTENDED_BIT, IDENTIFIER_BITS = 0x20000000, 0x80000000, 0x1FFFFFFF
MOST_SECONDS = 9_223_372_035
"""The last whole second whose nanoseconds fit 64 bits."""

_LINE = re.compile(
    rb"\s*\((?P<sign>-?)(?P<seconds>\d*)(?:\.(?P<fraction>\d*))?\)\s+(?P<bus>\S+)\s+(?P<identifier>[0-9A-Fa-f]{1,8})"
    rb"#(?:#(?P<fd>[0-9A-Fa-f]))?(?:[Rr](?P<wanted>\d{0,2})|(?P<data>(?:[0-9A-Fa-f]{2}){0,64}))(?:_[0-9A-Fa-f])?"
    rb"(?:\s+(?P<direction>[RrTt]))?\s*\Z"
)


@dataclass(frozen=True, slots=True)
class PlainFrame:
    """One frame as `parse_line` found it; fields as in `FrameBatch`, `bus` as text."""

    time: int
    bus: bytes
    identifier: int
    flags: int
    length: int
    data: bytes


def parse_line(line: bytes) -> PlainFrame | None:
    """The frame on one line, None when it holds none. Digits of a second beyond the ninth are dropped."""
    found = _LINE.match(line)
    if found is None:
        return None
    whole, fraction = found["seconds"], (found["fraction"] or b"")[:9]
    if not (whole or fraction) or int(whole or b"0") > MOST_SECONDS:
        return None
    time = int(whole or b"0") * 1_000_000_000 + int(fraction.ljust(9, b"0"))
    identifier = int(found["identifier"], 16)
    if len(found["identifier"]) > 3:
        error = bool(identifier & ERROR_BIT)
        flags = ERROR * error + EXTENDED * (not error or bool(identifier & EXTENDED_BIT))
    else:
        flags = 0
    if found["fd"] is not None:
        marks = int(found["fd"], 16)
        flags |= FD | (BRS if marks & 1 else 0) | (ESI if marks & 2 else 0)
    if found["direction"] in (b"T", b"t"):
        flags |= SENT
    if found["data"] is None:
        flags |= REMOTE
        length, data = int(found["wanted"] or b"0"), b""
        if length > 64:
            return None
    else:
        data = bytes.fromhex(found["data"].decode("ascii"))
        length = len(data)
    return PlainFrame(-time if found["sign"] else time, found["bus"], identifier & IDENTIFIER_BITS, flags, length, data)
