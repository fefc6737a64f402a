"""How the parts of a screen are set apart: a word and a hairline, no boxes."""

from __future__ import annotations

from livewatch.dashboard.drawing.sheet import Sheet

__all__ = ["MARGIN", "heading", "wrapped"]

MARGIN = 3
"""Cells at the left edge of a screen that hold a shape where something is wrong, and are empty otherwise."""


def heading(sheet: Sheet, title: str, note: str = "", y: int = 0, x: int = 0) -> int:
    """A title with a hairline behind it and a note at its end. Returns the row below."""
    after = sheet.write(x, y, title, "quiet", max(0, sheet.width - x)) + 1
    end = sheet.width - 1
    if note and after + 4 < end:
        end = sheet.write_right(end, y, note, "quiet", end - after - 2) - 1
    if end > after:
        sheet.write(after, y, ("-" if sheet.plain else "─") * (end - after), "faint")
    return y + 1


def wrapped(text: str, width: int, rows: int) -> list[str]:
    """`text` in at most `rows` lines of `width`; the last takes what is left over and is cut when it is drawn."""
    lines: list[str] = []
    while len(text) > width and len(lines) < rows - 1:
        cut = text.rfind(" ", 0, width + 1)
        cut = width if cut <= 0 else cut
        lines.append(text[:cut])
        text = text[cut:].lstrip()
    return [*lines, text]
