"""The bytes of a recording, gzip taken off.

A path comes in; its content goes out piece by piece, decompressed when it is gzip (whatever its name says), with the
share read so far. A cut or damaged gzip file yields all that can be decompressed and is counted; it raises nothing.
Failing to open or read the file at all raises `SourceError` with the reason in plain words.
"""

from __future__ import annotations

import io
import os
from collections import Counter
from pathlib import Path
from typing import BinaryIO

from livewatch.data.outside import open_file
from livewatch.errors import SourceError
from livewatch.sources.recordings.inflate import DAMAGED, GZIP, inflater

__all__ = ["ByteStream"]

HEAD = 1 << 16
"""Bytes of the content that are looked at to see what it is."""
_PIECE = 1 << 18
MOST_SWELLING = 200
"""How many times its size compressed data may unpack to: recordings reach 10 to 40 (common practice, no source)."""
_SWOLLEN = 1 << 26
"""Bytes that may be unpacked whatever they came from."""
_GZIP = b"\x1f\x8b"


class ByteStream(io.RawIOBase):
    """A file as a raw byte stream.

    `path` is where it is, `head` its first bytes (at most 64 KiB, decompressed), `compressed` whether it is gzip,
    `counts` what was odd so far.
    """

    def __init__(self, path: Path) -> None:
        super().__init__()
        self.path = path
        self.counts: Counter[str] = Counter()
        self._file = _opened(path)
        try:
            self._total = os.fstat(self._file.fileno()).st_size
            if not self._total:
                raise SourceError(
                    f"{path}: the file is empty: nothing was recorded, or it was not copied; copy it again"
                )
            self.compressed = self._file.read(2) == _GZIP
            self._file.seek(0)
            self._inflater = inflater(GZIP) if self.compressed else None
            self._waiting = b""
            self._read = self._unpacked = 0
            self._ended = False
            self.head = b""
            while len(self.head) < HEAD and (piece := self._next(HEAD - len(self.head))):
                self.head += piece
        except BaseException:
            self._file.close()
            raise
        self._unread = memoryview(self.head)

    @property
    def progress(self) -> float:
        """The share of the file read so far, 0..1."""
        # Asked from another thread than the one that reads and closes: it must not touch the file.
        return 1.0 if self.closed or self._ended else min(1.0, self._read / self._total)

    def readable(self) -> bool:
        """Always."""
        return True

    def read_exactly(self, size: int) -> bytes:
        """The next `size` bytes, fewer only at the end."""
        parts: list[bytes] = []
        while size > 0:
            piece = bytes(self._unread[:size]) or self._next(size)
            self._unread = self._unread[size:]
            if not piece:
                break
            parts.append(piece)
            size -= len(piece)
        return parts[0] if len(parts) == 1 else b"".join(parts)

    def readinto(self, buffer: object) -> int:
        """As `io.RawIOBase` wants it."""
        view = memoryview(buffer).cast("B")  # type: ignore[arg-type]
        piece = self.read_exactly(len(view))
        view[: len(piece)] = piece
        return len(piece)

    def close(self) -> None:
        """Close the file; nothing more can be read."""
        self._file.close()
        super().close()

    def _next(self, size: int) -> bytes:
        """Up to `size` bytes of content, empty at the end."""
        try:
            if self._inflater is None:
                return self._taken(size)
            return self._inflated(size)
        except OSError as error:
            raise SourceError(f"{self.path}: reading it failed: {error.strerror or error}") from None

    def _taken(self, size: int) -> bytes:
        """The next bytes of the file as they stand there."""
        piece = self._file.read(size)
        self._read += len(piece)
        return piece

    def _inflated(self, size: int) -> bytes:
        while not self._ended:
            assert self._inflater is not None
            if not self._waiting:
                self._waiting = self._taken(_PIECE)
            if self._inflater.eof:
                # Members may follow each other (and be padded with zeros); anything else behind one is no content.
                self._waiting = self._waiting.lstrip(b"\0")
                if not self._waiting and self._read < self._total:
                    continue
                if not self._waiting.startswith(_GZIP[: len(self._waiting)]) or not self._waiting:
                    self.counts["bytes behind the compressed data skipped"] += self._total_left()
                    self._ended = True
                    break
                self._inflater = inflater(GZIP)
            at_end = not self._waiting
            try:
                # At the end as well: an inflater may have taken all its input and still hold output back.
                piece = self._inflater.decompress(self._waiting, size)
            except DAMAGED:
                self.counts["compressed data damaged, the rest not read"] += 1
                self._ended = True
                break
            self._waiting = self._inflater.unconsumed_tail or self._inflater.unused_data
            self._unpacked += len(piece)
            if self._unpacked > max(_SWOLLEN, MOST_SWELLING * self._read):
                self.counts["compressed data that swells without measure, the rest not read"] += 1
                self._ended = True
                break
            if piece:
                return piece
            if at_end and not self._inflater.eof:
                self.counts["compressed data cut off"] += 1
                self._ended = True
        return b""

    def _total_left(self) -> int:
        return len(self._waiting) + self._total - self._read


def _opened(path: Path) -> BinaryIO:
    try:
        return open_file(path)
    except FileNotFoundError:
        raise SourceError(f"{path}: there is no such file") from None
    except IsADirectoryError:
        raise SourceError(f"{path}: this is a directory, expected a file") from None
    except PermissionError:
        raise SourceError(f"{path}: no permission to read it") from None
    except OSError as error:
        raise SourceError(f"{path}: it cannot be opened: {error.strerror or error}") from None
