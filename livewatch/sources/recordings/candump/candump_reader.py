"""Candump recordings: text, one frame a line, as the can-utils write and read it.

`CandumpReader` turns the bytes of a recording into frames, chunk by chunk; what `line_writer` writes it reads back
exactly, every field of every frame. Lines that hold no frame are read over and counted. A last line without its line
end may have lost some of its digits and is not used, unless the direction stands behind them.
"""

from __future__ import annotations

from collections.abc import Iterator

from livewatch.data.frames import FrameBatch
from livewatch.sources.recordings.candump.line import parse_line
from livewatch.sources.recordings.format_reader import FormatReader

__all__ = ["CandumpReader"]

_CHUNK = 1 << 19
"""Bytes of text parsed at once."""
_LONGEST_LINE = 1 << 16
"""Bytes after which a line is garbage, whatever follows."""


class CandumpReader(FormatReader):
    """Reads `.log` recordings."""

    name = "candump"
    suffix = ".log"

    @classmethod
    def recognises(cls, head: bytes) -> bool:
        """One of the first lines holds a frame."""
        return any(parse_line(line) is not None for line in head.split(b"\n")[:50])

    @classmethod
    def holds_a_frame(cls, head: bytes) -> bool:
        """One of its whole lines is one."""
        return cls.recognises(head[: head.rfind(b"\n") + 1])

    def frames(self) -> Iterator[FrameBatch]:
        """All frames in order, about 10,000 a batch."""
        from livewatch.sources.recordings.candump.lines import BusNames, parse_lines  # late, both: they bring numpy
        from livewatch.sources.recordings.candump.shapes import parse_shapes

        buses = BusNames()
        rest = b""
        overlong = False
        while piece := self.stream.read_exactly(_CHUNK):
            text = rest + piece
            cut = text.rfind(b"\n") + 1
            text, rest = text[:cut], text[cut:]
            if overlong and text:
                text = text[text.index(b"\n") + 1 :]
                overlong = False
            if text:
                quick = parse_shapes(text, buses)
                batches, rejected = parse_lines(text, buses) if quick is None else ([quick], 0)
                self._reject(rejected)
                yield from batches
            if len(rest) > _LONGEST_LINE:
                self._reject(not overlong)
                rest, overlong = b"", True
        if rest.strip() and not overlong:
            if rest.strip()[-2:].lower() in (b" r", b" t") and parse_line(rest) is not None:
                yield from parse_lines(rest + b"\n", buses)[0]
            else:
                self.counts["last line cut off"] += 1

    def _reject(self, lines: int) -> None:
        if lines:
            self.counts["lines that are not frames"] += lines
