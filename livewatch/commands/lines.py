"""Lines said beside a page, or for another program: nothing of a stranger's reaches a terminal as a control code."""

from __future__ import annotations

import sys

from livewatch.wording.shown import shown_lines

__all__ = ["say"]


def say(text: str, *, error: bool = False, end: str = "\n") -> None:
    """A line, or several, as they are where they go to a program, else fit to be shown."""
    stream = sys.stderr if error else sys.stdout
    print(shown_lines(text) if error or stream.isatty() else text, file=stream, end=end)
