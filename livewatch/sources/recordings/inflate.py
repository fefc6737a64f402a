"""Inflating what is compressed in a recording (RFC 1950 to 1952): with ISA-L, in half the time, or else with zlib.

ISA-L is depended on where it comes ready-made. Both give the same bytes, for a stream that was cut as well.
"""

from __future__ import annotations

import zlib
from typing import Protocol, cast

try:
    from isal import isal_zlib
except ImportError:
    isal_zlib = None  # type: ignore[assignment]

__all__ = ["DAMAGED", "GZIP", "ZLIB", "Inflater", "inflater"]

ZLIB, GZIP = 15, 31
"""The wrapping: that of RFC 1950, and that of RFC 1952."""
DAMAGED: type[Exception] = zlib.error if isal_zlib is None else cast("type[Exception]", isal_zlib.error)
"""Raised for a stream that is damaged."""


class Inflater(Protocol):
    """One stream, as `zlib.decompressobj` of the standard library describes it."""

    @property
    def eof(self) -> bool:
        """Whether the stream's end, and a checksum that fits, was seen."""

    @property
    def unconsumed_tail(self) -> bytes:
        """What was handed in and not looked at yet, because the output was limited."""

    @property
    def unused_data(self) -> bytes:
        """What was handed in behind the end of the stream."""

    def decompress(self, data: bytes, max_length: int, /) -> bytes:
        """Up to `max_length` bytes of content. Output may be held back when no input is: ask again with none."""


def inflater(wrapping: int) -> Inflater:
    """For one stream that is wrapped as ZLIB or GZIP says."""
    return zlib.decompressobj(wrapping) if isal_zlib is None else isal_zlib.decompressobj(wrapping)
