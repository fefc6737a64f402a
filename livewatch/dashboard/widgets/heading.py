"""How the parts of a screen are set apart: a word and a hairline, no boxes."""

from __future__ import annotations

from collections.abc import Iterable

from livewatch.dashboard.drawing.canvas import Canvas, Ink

__all__ = ["MARGIN", "heading", "write_lines"]

MARGIN = 3
"""Cells at the left edge of a screen that hold a shape where something is wrong, and are empty otherwise."""


def heading(canvas: Canvas, title: str, note: str = "", y: int = 0, x: int = 0) -> int:
    """A title with a hairline behind it and a note at its end. Returns the row below."""
    after = canvas.write(x, y, title, "quiet", max(0, canvas.width - x)) + 1
    end = canvas.width - 1
    if note and after + 4 < end:
        end = canvas.write_right(end, y, note, "quiet", end - after - 2) - 1
    if end > after:
        canvas.write(after, y, ("-" if canvas.plain else "─") * (end - after), "faint")
    return y + 1


def write_lines(canvas: Canvas, x: int, y: int, lines: Iterable[str], ink: Ink, first: int | None = None) -> int:
    """Lines below each other from cell `x`, the first from cell `first` where it is given. Returns the row below."""
    for line in lines:
        canvas.write(x if first is None else first, y, line, ink)
        y, first = y + 1, None
    return y
