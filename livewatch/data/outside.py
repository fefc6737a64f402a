"""The one door for what somebody else may have written: files, JSON and words, within bounds.

Paths, bytes and texts from outside come in; bytes, plain data and printable text go out. Promised, whatever stands in
them: only files are opened, never a pipe or a device that has no end; what is read whole is no larger than its reader
says; JSON is nested no deeper than `DEEPEST` and holds no number that is none; nothing given out by `printable` moves a
cursor, changes a colour or turns the direction of writing. Recordings and tables are read in pieces, in bounded memory,
by `sources/`, which opens them here too.
"""

from __future__ import annotations

import errno
import json
import math
import os
import stat
import unicodedata
from pathlib import Path
from typing import Any, BinaryIO, NoReturn

__all__ = ["DEEPEST", "LARGEST", "LONGEST_LINE", "open_file", "printable", "read_file", "read_json"]

LARGEST = 16_000_000
"""Bytes of a file that is read whole, unless its reader says otherwise."""
DEEPEST = 50
"""Levels of lists and mappings within one another."""
LONGEST_LINE = 1 << 20
"""Bytes of one line of a session's files."""
LONGEST_NUMBER = 40
"""Digits of a whole number."""
_HIDDEN = frozenset(("Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"))
"""Categories of characters that show nothing themselves, or act on what is shown (Unicode Standard, chapter 4)."""


def open_file(path: Path) -> BinaryIO:
    """The file at `path`, to be read. A pipe is not waited for.

    Raises:
        OSError: it cannot be opened, or it is a folder, a pipe or a device; `strerror` says so.
    """
    flags = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0) | getattr(os, "O_CLOEXEC", 0)
    try:
        handle = os.open(path, flags)
    except ValueError:
        raise OSError(errno.EINVAL, "its name cannot be that of a file") from None
    kind = os.fstat(handle).st_mode
    if not stat.S_ISREG(kind):
        os.close(handle)
        if stat.S_ISDIR(kind):
            raise IsADirectoryError(errno.EISDIR, "it is a folder, not a file")
        raise OSError(errno.EINVAL, "it is a pipe or a device, not a file")
    return os.fdopen(handle, "rb")


def read_file(path: Path, largest: int = LARGEST) -> bytes:
    """All of the file at `path`.

    Raises:
        OSError: as `open_file`, or it has more than `largest` bytes.
    """
    with open_file(path) as file:
        content = file.read(largest + 1)
    if len(content) > largest:
        raise OSError(errno.EFBIG, f"it has more than {largest} bytes, which is too large for what it should be")
    return content


def read_json(text: str | bytes) -> Any:
    """The JSON in a text.

    Raises:
        ValueError: it is none, is nested too deep, or holds a number that is not finite or absurdly long.
    """
    try:
        data = json.loads(text, parse_constant=_no_number, parse_float=_finite, parse_int=_whole)
    except RecursionError:
        raise ValueError(f"it is nested more than {DEEPEST} levels deep") from None
    level, depth = [data], 0
    while level := [inner for each in level if isinstance(each, dict | list) for inner in _inside(each)]:
        depth += 1
        if depth > DEEPEST:
            raise ValueError(f"it is nested more than {DEEPEST} levels deep")
    return data


def printable(text: str) -> str:
    """`text` with each character that is not seen, or acts on what is seen, written as its number: `\\x1b`."""
    if text.isprintable():
        return text
    return "".join(
        character.encode("unicode_escape").decode("ascii") if unicodedata.category(character) in _HIDDEN else character
        for character in text
    )


def _inside(value: dict[Any, Any] | list[Any]) -> list[Any]:
    return list(value.values()) if isinstance(value, dict) else value


def _no_number(word: str) -> NoReturn:
    raise ValueError(f"{word} is no number")


def _finite(digits: str) -> float:
    number = float(digits)
    if not math.isfinite(number):
        raise ValueError(f"{digits[:LONGEST_NUMBER]} is too large")
    return number


def _whole(digits: str) -> int:
    if len(digits) > LONGEST_NUMBER:
        raise ValueError(f"a number has {len(digits)} digits")
    return int(digits)
