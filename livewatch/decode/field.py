"""Where the bits of a signal are, and how to read them.

Rows of bytes are looked at as little-endian 64-bit words, eight bytes each. A field lies in one word, or straddles two
neighbouring ones; reading it is a shift and a mask (after swapping the bytes of the words for a big-endian field).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from livewatch.profile.model import Signal

__all__ = ["Field", "words_of"]


def words_of(data: NDArray[np.uint8]) -> NDArray[np.uint64]:
    """The rows of `data` (uint8 (n, multiple of 8)) as little-endian words, (n, width / 8)."""
    return np.ascontiguousarray(data).view("<u8").astype(np.uint64, copy=False)


@dataclass(frozen=True, slots=True)
class Field:
    """One run of bits.

    Attributes:
        word: index of the 64-bit word that holds the least significant bit.
        other: index of the word that holds the remaining upper bits when `straddles`, else equal to `word`.
        shift: bits of the (swapped, for big-endian) word below the field.
        length: bits, 1..64.
        mask: `length` ones.
        sign: the sign bit for a signed field, else 0.
        big: big-endian.
        need: bytes a row must have for the field to be received.
    """

    word: int
    other: int
    shift: int
    length: int
    mask: int
    sign: int
    big: bool
    need: int

    @property
    def straddles(self) -> bool:
        """Whether the field lies in two words."""
        return self.word != self.other

    @classmethod
    def of(cls, signal: Signal) -> Field:
        """The place of `signal`."""
        length = signal.length
        big = signal.order == "big_endian"
        if big:
            first = 8 * (signal.start // 8) + 7 - signal.start % 8
            last = first + length - 1
            word, other, shift = last // 64, first // 64, 63 - last % 64
        else:
            last = signal.start + length - 1
            word, other, shift = signal.start // 64, last // 64, signal.start % 64
        mask = (1 << length) - 1
        sign = 1 << (length - 1) if signal.kind == "signed" else 0
        return cls(word, other, shift, length, mask, sign, big, last // 8 + 1)

    def bits(self, words: NDArray[np.uint64], rows: NDArray[np.int64]) -> NDArray[np.uint64]:
        """The field of each of `rows`, as unsigned bits, uint64 (rows,). All rows must have `need` bytes."""
        low: NDArray[np.uint64] = words[rows, self.word]
        if self.big:
            low = low.byteswap()
        low >>= np.uint64(self.shift)
        if self.straddles:
            high = words[rows, self.other]
            if self.big:
                high = high.byteswap()
            low |= high << np.uint64(64 - self.shift)
        low &= np.uint64(self.mask)
        return low

    def integers(self, bits: NDArray[np.uint64]) -> NDArray[np.int64]:
        """Raw numbers of unsigned `bits`, int64; an unsigned field of 64 bits comes out modulo 2 ** 64."""
        if not self.sign:
            return bits.view(np.int64)
        sign = np.uint64(self.sign)
        return ((bits ^ sign) - sign).view(np.int64)
