"""Keeps everything Textual itself draws (scroll bars, cursors, the command palette) to ASCII on terminals that show no
more."""

from __future__ import annotations

from rich.segment import Segment
from textual.color import Color
from textual.filter import LineFilter

from livewatch.dashboard.drawing.plain import as_plain

__all__ = ["PlainFilter"]


class PlainFilter(LineFilter):
    """Applied to every line before it goes to the terminal."""

    def apply(self, segments: list[Segment], background: Color) -> list[Segment]:
        """The same in printable ASCII."""
        return [
            segment if segment.text.isascii() else Segment(as_plain(segment.text), segment.style, segment.control)
            for segment in segments
        ]
