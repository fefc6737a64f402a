"""Frames to lines of candump text, a whole batch at a time.

The counterpart of `lines`: a `FrameBatch` comes in, the bytes of its lines go out, and reading them gives
the same frames, every field. Microseconds are written, nanoseconds only on lines that need them; `T` marks frames
the recording node sent itself; an error frame carries bit 0x20000000 in its identifier, and bit 0x80000000 when
that has 29 bits. What a line says does not depend on how the frames were cut into batches.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from livewatch.data.frames import BRS, ERROR, ESI, EXTENDED, FD, REMOTE, SENT, FrameBatch

__all__ = ["format_candump"]

_FEW = 32
"""Up to so many frames, one line after the other is quicker."""
_HEX = np.array([f"{byte:02X}".encode() for byte in range(256)], "S2").view(np.uint8).reshape(256, 2)
_DIGITS = np.array([f"{number:03d}".encode() for number in range(1000)], "S3").view(np.uint8).reshape(1000, 3)
_PRINTABLE = bytes(byte if byte > 32 and byte != 127 else ord("_") for byte in range(256))
_ERROR_BIT, _EXTENDED_BIT = 0x20000000, 0x80000000


def format_candump(batch: FrameBatch) -> bytes:
    """One line a frame, each with its line end. White space and control characters in a bus name become `_`."""
    if len(batch) <= _FEW:
        return b"".join([_line(batch, row) for row in range(len(batch))])
    plain = ((batch.flags & REMOTE) == 0) & (batch.time >= 0)
    if plain.all():
        return _lines(batch)
    # Remote frames and times before 1970 are rare: runs of plain frames are still written at once.
    edges = np.flatnonzero(np.diff(plain)) + 1
    parts: list[bytes] = []
    for first, last in zip([0, *edges.tolist()], [*edges.tolist(), len(batch)], strict=True):
        run = batch[first:last]
        if plain[first] and last - first > _FEW:
            parts.append(_lines(run))
        else:
            parts.extend([_line(run, row) for row in range(last - first)])
    return b"".join(parts)


def _bus_name(name: str) -> bytes:
    return name.encode("utf-8", "replace").translate(_PRINTABLE) or b"_"


def _line(batch: FrameBatch, row: int) -> bytes:
    time, flags, length = int(batch.time[row]), int(batch.flags[row]), int(batch.length[row])
    identifier = int(batch.identifier[row])
    seconds, fraction = divmod(abs(time), 1_000_000_000)
    digits = f"{fraction // 1000:06d}" if fraction % 1000 == 0 else f"{fraction:09d}"
    if flags & ERROR:
        written = f"{identifier | _ERROR_BIT | (_EXTENDED_BIT if flags & EXTENDED else 0):08X}"
    else:
        written = f"{identifier:08X}" if flags & EXTENDED or identifier > 0xFFF else f"{identifier:03X}"
    mark = f"#{(1 if flags & BRS else 0) + (2 if flags & ESI else 0)}" if flags & FD else ""
    payload = f"R{length or ''}" if flags & REMOTE else batch.data[row, :length].tobytes().hex().upper()
    tail = f"{written}#{mark}{payload}{' T' if flags & SENT else ''}\n"
    head = f"({'-' if time < 0 else ''}{seconds}.{digits}) "
    return head.encode() + _bus_name(batch.buses[batch.bus[row]]) + b" " + tail.encode()


def _lines(batch: FrameBatch) -> bytes:
    """All lines as one matrix of characters, the unused ones zero; then the zeros are taken out."""
    n, flags = len(batch), batch.flags
    names = [_bus_name(name) for name in batch.buses]
    width = max(map(len, names))
    widest = int(batch.length.max())
    columns = 1 + 12 + 1 + 9 + 2 + width + 1 + 8 + 3 + 2 * widest + 3
    text = np.zeros((n, columns), np.uint8)
    text[:, 0] = ord("(")
    _write_time(text, batch.time)
    text[:, 23] = ord(")")
    text[:, 24] = ord(" ")
    at = 25
    table = np.array(names, f"S{width}").view(np.uint8).reshape(len(names), width)
    text[:, at : at + width] = table[batch.bus] if len(names) > 1 else table[0]
    at += width
    text[:, at] = ord(" ")
    _write_identifier(text[:, at + 1 : at + 9], batch.identifier, flags)
    text[:, at + 9] = ord("#")
    at += 10
    fd = flags & FD
    if fd.any():
        mark = ord("0") + (flags & BRS) // BRS + 2 * ((flags & ESI) // ESI)
        text[:, at] = np.where(fd, ord("#"), 0)
        text[:, at + 1] = np.where(fd, mark, 0)
    at += 2
    if widest:
        payload = _HEX[batch.data[:, :widest]].reshape(n, -1)
        if int(batch.length.min()) < widest:
            payload[np.arange(2 * widest) >= 2 * batch.length[:, None].astype(np.int16)] = 0
        text[:, at : at + 2 * widest] = payload
    at += 2 * widest
    sent = flags & SENT
    if sent.any():
        text[:, at] = np.where(sent, ord(" "), 0)
        text[:, at + 1] = np.where(sent, ord("T"), 0)
    text[:, at + 2] = ord("\n")
    return text.tobytes().translate(None, b"\0")


def _write_time(text: NDArray[np.uint8], time: NDArray[np.int64]) -> None:
    """Columns 1..22: twelve digits of seconds without leading zeros, the point, six or nine of the fraction."""
    seconds, fraction = np.divmod(time, 1_000_000_000)
    for group, column in ((1_000_000_000, 1), (1_000_000, 4), (1000, 7), (1, 10)):
        text[:, column : column + 3] = _DIGITS[(seconds // group) % 1000]
    # Times of this century have ten digits; the others lose their zeros one place at a time.
    least = int(seconds.min())
    for place in range(12):
        if least < 10 ** (11 - place) and place < 11:
            text[seconds < 10 ** (11 - place), 1 + place] = 0
    text[:, 13] = ord(".")
    micros, nanos = np.divmod(fraction, 1000)
    millis, micros = np.divmod(micros, 1000)
    text[:, 14:17] = _DIGITS[millis]
    text[:, 17:20] = _DIGITS[micros]
    if nanos.any():
        text[:, 20:23] = _DIGITS[nanos]
        text[nanos == 0, 20:23] = 0


def _write_identifier(text: NDArray[np.uint8], identifier: NDArray[np.uint32], flags: NDArray[np.uint8]) -> None:
    """Eight digits, or the last three of them for a standard identifier (unless it has more, which no bus allows)."""
    error = flags & ERROR
    if error.any():
        bits = np.where(flags & EXTENDED, _ERROR_BIT | _EXTENDED_BIT, _ERROR_BIT).astype(np.uint32)
        identifier = np.where(error, identifier | bits, identifier)
    text[:] = _HEX[identifier.astype(">u4").view(np.uint8).reshape(-1, 4)].reshape(-1, 8)
    text[((flags & (ERROR | EXTENDED)) == 0) & (identifier <= 0xFFF), :5] = 0
