"""Text for terminals that show ASCII only, and how such a terminal is recognised.

Any text comes in; text of the same meaning in printable ASCII comes out, one character for each except where noted.
"""

from __future__ import annotations

import os
import sys
import unicodedata
from collections.abc import Mapping

__all__ = ["as_plain", "terminal_is_plain"]

_DRAWN_LIKE = {
    "-": "–—−─▔┄", "=": "━", "|": "│┃▏▕", ":": "┆┊╎▒", ".": "·…░┈", "*": "•◆▪", "x": "×", "l": "λ",
    "o": "°●○◇", "~": "±", "<": "≤←◀", ">": "≥→▶▸»", "^": "↑△", "v": "↓▾", "!": "▲", '"': "“”▀", "'": "’‘",
    "_": "▄▁", "+": "✓", "n": "✎",
}  # fmt: skip
_SAME_LENGTH = {character: plain for plain, characters in _DRAWN_LIKE.items() for character in characters}
"""What stands for a character, besides the rules for whole blocks of Unicode below."""
_PLAIN_TERMINALS = frozenset({"linux", "dumb", "vt52", "vt100", "vt102", "vt220", "ansi", "cons25"})
"""Values of TERM whose fonts have no block or braille characters."""


def as_plain(text: str) -> str:
    """`text` in printable ASCII, as many characters as it has cells wherever that can be done."""
    if text.isascii():
        return text
    return "".join(_plain_character(character) for character in text)


def _plain_character(character: str) -> str:
    if character.isascii():
        return character
    known = _SAME_LENGTH.get(character)
    if known is not None:
        return known
    code = ord(character)
    if 0x2800 <= code <= 0x28FF:
        return " " if code == 0x2800 else "*"
    if 0x2500 <= code <= 0x257F:
        return "+"
    if 0x2580 <= code <= 0x25FF:
        return "#"
    if unicodedata.combining(character):
        return ""
    bare = unicodedata.normalize("NFKD", character).encode("ascii", "ignore").decode()
    wide = 2 if unicodedata.east_asian_width(character) in "WF" else 1
    return bare[:wide].ljust(wide, "?") if bare else "?" * wide


def terminal_is_plain(environment: Mapping[str, str] | None = None, encoding: str | None = None) -> bool:
    """Whether the terminal can show ASCII only: it says so by its kind, its locale, or the encoding of the output.

    A locale that is not set at all says nothing: terminals without one are far more often bare containers than old.
    """
    environment = os.environ if environment is None else environment
    if "TEXTUAL_DRIVER" in environment:  # drawn by a browser
        return False
    if environment.get("TERM", "").lower() in _PLAIN_TERMINALS:
        return True
    encoding = encoding if encoding is not None else (getattr(sys.stdout, "encoding", None) or "utf-8")
    if encoding.lower().replace("-", "").replace("_", "") not in ("utf8", "utf8sig", "cp65001", "utf16le"):
        return True
    if sys.platform == "win32":
        return False
    for name in ("LC_ALL", "LC_CTYPE", "LANG"):
        locale = environment.get(name)
        if locale:
            return "utf8" not in locale.lower().replace("-", "")
    return False
