"""What a bus carries that nobody has explained yet: measured, not guessed.

Frames of one bus come in; for each identifier come out how often it is sent, how long it is, which bytes move, and
which of them count up or are a checksum of the others. It is a help to bring a DBC to a car: counters and checksums
are no measurements, bytes that never move are seldom one.

Checksums looked for: the sum and the exclusive or of all other bytes, and the cyclic redundancy check of SAE J1850
(polynomial 1D, initial value and final inversion FF), with the checksum in the first or the last byte.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from livewatch.data.frames import ERROR, EXTENDED, REMOTE, SENT, FrameBatch

__all__ = ["Broadcast", "survey"]

LEAST = 8
"""Frames of one identifier from which counters and checksums are looked for."""
Bytes = NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class Broadcast:
    """One identifier as it was heard.

    Attributes:
        rate: frames a second.
        lengths: data lengths met, bytes.
        moving: bytes whose value changed.
        counters: (byte, bits) that go up by one from frame to frame: a nibble (0x0F or 0xF0) or the whole byte (0xFF).
        checksum: (byte, kind), None where none was recognised.
    """

    identifier: int
    extended: bool
    frames: int
    rate: float
    lengths: tuple[int, ...]
    moving: tuple[int, ...]
    counters: tuple[tuple[int, int], ...]
    checksum: tuple[int, str] | None

    def __str__(self) -> str:
        name = f"0x{self.identifier:08X}" if self.extended else f"0x{self.identifier:03X}"
        length = "/".join(map(str, self.lengths))
        parts = [f"{name}  {self.rate:6.1f} a second, {length} bytes"]
        carrying = [one for one in self.moving if one not in {byte for byte, _ in self.counters}]
        if self.checksum is not None and self.checksum[0] in carrying:
            carrying.remove(self.checksum[0])
        parts.append("bytes that move: " + (", ".join(map(str, carrying)) or "none"))
        parts += [
            f"counter in byte {byte}" + ("" if bits == 0xFF else " (low half)" if bits == 0x0F else " (high half)")
            for byte, bits in self.counters
        ]
        if self.checksum is not None:
            parts.append(f"checksum in byte {self.checksum[0]} ({self.checksum[1]})")
        return "; ".join(parts)


def survey(batch: FrameBatch) -> list[Broadcast]:
    """Every identifier in the frames of one bus, in order of identifiers; what was sent by us, and error and remote
    frames, aside."""
    batch = batch[(batch.flags & (ERROR | REMOTE | SENT)) == 0]
    if not len(batch):
        return []
    key = batch.identifier.astype(np.int64) | np.where(batch.flags & EXTENDED, np.int64(1) << 32, np.int64(0))
    seconds = max(float(batch.time[-1] - batch.time[0]) / 1e9, 1e-3)
    found = []
    for one in np.unique(key).tolist():
        rows = key == one
        found.append(_measured(one & 0xFFFFFFFF, bool(one >> 32), batch[rows], seconds))
    return found


def _measured(identifier: int, extended: bool, frames: FrameBatch, seconds: float) -> Broadcast:
    lengths = tuple(np.unique(frames.length).tolist())
    shortest = int(lengths[0])
    data = frames.data[:, :shortest]
    moving = tuple(np.flatnonzero((data != data[:1]).any(axis=0)).tolist())
    counters: list[tuple[int, int]] = []
    checksum = None
    if len(frames) >= LEAST:
        for byte in moving:
            bits = _counts(data[:, byte])
            if bits:
                counters.append((byte, bits))
        if len(lengths) == 1:
            checksum = _checksum(data, [byte for byte in (shortest - 1, 0) if byte in moving])
    counters = [one for one in counters if checksum is None or one[0] != checksum[0]]
    return Broadcast(
        identifier, extended, len(frames), len(frames) / seconds, lengths, moving, tuple(counters), checksum
    )


def _counts(column: Bytes) -> int:
    """The bits of a byte that go up by one from frame to frame and over; 0 where none do. Nine of ten steps will do: a
    frame may be lost."""
    shares: dict[int, float] = {}
    for bits, shift in ((0xFF, 0), (0x0F, 0), (0xF0, 4)):
        number = (column & bits).astype(np.int64) >> shift
        shares[bits] = float(np.mean(np.diff(number) % ((bits >> shift) + 1) == 1))
    best = max(shares, key=shares.__getitem__)
    return best if shares[best] >= 0.9 else 0


def _checksum(data: Bytes, places: list[int]) -> tuple[int, str] | None:
    for place in places:
        others = np.delete(data, place, axis=1)
        for kind, sums in (
            ("sum", others.sum(axis=1, dtype=np.uint8)),
            ("exclusive or", np.bitwise_xor.reduce(others, axis=1) if others.shape[1] else None),
            ("CRC-8 of SAE J1850", _crc(others)),
        ):
            if sums is None:
                continue
            # The same number added throughout is as good a checksum: many take in the identifier.
            rest = data[:, place] - sums if kind == "sum" else data[:, place] ^ sums
            if (rest == rest[0]).all():
                return place, kind
    return None


@lru_cache(maxsize=1)
def _crc_table() -> Bytes:
    table = np.arange(256, dtype=np.uint16)
    for _ in range(8):
        table = np.where(table & 0x80, (table << 1 ^ 0x1D) & 0xFF, table << 1 & 0xFF)
    return table.astype(np.uint8)


def _crc(data: Bytes) -> Bytes:
    table = _crc_table()
    crc = np.full(len(data), 0xFF, np.uint8)
    for column in data.T:
        crc = table[crc ^ column]
    return crc ^ np.uint8(0xFF)
