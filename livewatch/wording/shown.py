"""Strings of strangers, made fit to be shown: names in profiles, DBC files, table headers, event logs and file names.

Any text comes in; text that a terminal or a browser can only print comes out. No control code is left (ECMA-48: C0, DEL
and C1, among them the beginning of every escape sequence), no character that reorders or hides what stands around it
(Unicode UAX #9, and its other format characters), no half of a surrogate pair: `data.outside.printable` writes each as
its number. Nor is there more of it than can be read. Markup means nothing to the pages: see `commands.page`.
"""

from __future__ import annotations

from livewatch.data.outside import printable

__all__ = ["LONGEST", "shown", "shown_lines"]

LONGEST = 500
"""Characters of one string."""
_BLANKS = str.maketrans("\t\n\r", "   ")


def shown(text: str, longest: int = LONGEST) -> str:
    """`text` in one line of at most `longest` characters."""
    if len(text) <= longest and text.isprintable():
        return text
    text = printable(text[: longest + 1].translate(_BLANKS))
    return text if len(text) <= longest else text[: longest - 1] + "…"


def shown_lines(text: str) -> str:
    """The same, keeping its lines and their indents, however long."""
    return "\n".join(printable(line.translate(_BLANKS)) for line in text.split("\n"))
