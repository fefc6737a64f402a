"""What a page may send to the run's screen: keys, a size, its focus. Everything else is counted and let go.

The text of a web socket message comes in; what is meant for the screen comes out, or an answer for the page, or None
where it was malformed. Sizes are bounded here, rates by `Pace`.
"""

from __future__ import annotations

import asyncio
import json
import time as wall
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

__all__ = ["LARGEST", "MOST_CELLS", "Answer", "Keys", "Note", "Pace", "read_message"]

LARGEST = 16_384
"""Bytes of a message; a pasted note has 400 characters at the most."""
WIDEST, TALLEST, MOST_CELLS = 1000, 500, 200_000
"""Columns, rows and cells of a screen; a wall of four large displays has fewer."""
FASTEST, BURST = 200.0, 400.0
"""Messages a second in the long run, and at once: a moving mouse sends some sixty."""


@dataclass(frozen=True, slots=True)
class Keys:
    """What was typed, clicked or moved."""

    data: bytes


@dataclass(frozen=True, slots=True)
class Note:
    """Something about the page: its size, whether it has the focus."""

    content: dict[str, Any]


@dataclass(frozen=True, slots=True)
class Answer:
    """To be sent back."""

    content: list[Any]


def read_message(text: str) -> Keys | Note | Answer | None:
    """What a message asks; None for one that is no such thing."""
    try:
        envelope = json.loads(text)
    except (ValueError, RecursionError):
        return None
    match envelope:
        case ["stdin", str(typed)]:
            return Keys(typed.encode("utf-8", "replace"))
        case ["resize", {"width": width, "height": height}] if _is_size(width, height):
            return Note({"type": "resize", "width": width, "height": height})
        case ["ping", str() | int() | float() as mark] if len(str(mark)) < 40:
            return Answer(["pong", mark])
        case ["focus" | "blur" as kind, *_]:
            return Note({"type": kind})
    return None


def _is_size(width: Any, height: Any) -> bool:
    if type(width) is not int or type(height) is not int:
        return False
    return 1 <= width <= WIDEST and 1 <= height <= TALLEST and width * height <= MOST_CELLS


class Pace:
    """Lets messages through at a bounded rate: what comes faster waits in the browser's own connection.

    Args:
        clock: the machine's monotonic clock, s.
    """

    def __init__(self, clock: Callable[[], float] = wall.monotonic) -> None:
        self._clock = clock
        self._left, self._at = BURST, clock()

    def wait(self) -> float:
        """Seconds until the message at hand may be taken; it counts as taken then."""
        now = self._clock()
        self._left = min(BURST, self._left + (now - self._at) * FASTEST) - 1.0
        self._at = now
        return max(0.0, -self._left / FASTEST)

    async def hold(self) -> None:
        """Wait for as long as that."""
        if (seconds := self.wait()) > 0.0:
            await asyncio.sleep(seconds)
