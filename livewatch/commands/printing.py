"""Lines and a status line for a terminal or a pipe, printed by a thread of its own.

What is to be printed comes in and is not waited for. The reader may take its time (a pager, a terminal that was told to
stop, a full pipe): lines wait, up to a bound; then the ones that come next are left out, and how many is said in their
place once the reader takes lines again. A reader that has gone is told by `gone`.
"""

from __future__ import annotations

import contextlib
import io
import os
import sys
import threading
import time
from collections import deque
from typing import TextIO

from rich.console import RenderableType
from rich.live import Live
from rich.text import Text

from livewatch.commands.page import Page, say

__all__ = ["LAST_WORDS", "Printer", "direct_page", "say_last"]

MOST_WAITING = 2_000
"""Lines that wait for the reader: some minutes of a flood of alarms."""
LAST_WORDS = 1.0
"""Seconds that the last lines are waited for."""


class _Direct(io.TextIOBase):
    """Writes to the file itself. What waits in a buffer of Python's would be written, and waited for, when the program
    ends."""

    def __init__(self, handle: int) -> None:
        self._handle = handle

    def fileno(self) -> int:
        return self._handle

    def isatty(self) -> bool:
        return os.isatty(self._handle)

    @property
    def encoding(self) -> str:  # type: ignore[override]
        return "utf-8"

    def write(self, text: str) -> int:
        rest = text.encode(errors="replace")
        while rest:
            rest = rest[os.write(self._handle, rest) :]
        return len(text)


def direct_page() -> Page:
    """A page on the standard output that a `Printer` may be left hanging on; the usual one where that is no file."""
    try:
        return Page(file=_Direct(sys.stdout.fileno()))
    except (OSError, ValueError, AttributeError):
        return Page()


class Printer:
    """Args:
    console: where to print.
    may_wait: whether `line` may wait for a slow reader instead of leaving lines out: right for a replay.
    """

    def __init__(self, console: Page, may_wait: bool = False) -> None:
        self.console = console
        self.gone = False
        """Whether nobody takes lines any more."""
        self._may_wait = may_wait
        self._live = Live(Text(), console=console, auto_refresh=False, transient=True) if console.is_terminal else None
        # Everything below is guarded by it.
        self._state = threading.Condition()
        self._lines: deque[RenderableType] = deque()
        self._skipped = 0
        self._status: Text | None = None
        self._closing = False
        self._thread = threading.Thread(target=self._work, name="livewatch printer", daemon=True)
        self._thread.start()

    @property
    def shows_status(self) -> bool:
        """Whether there is a place for a status line."""
        return self._live is not None

    def line(self, line: RenderableType) -> None:
        """Print this below the others."""
        with self._state:
            if self._may_wait:
                self._state.wait_for(lambda: len(self._lines) < MOST_WAITING or self.gone)
            if len(self._lines) >= MOST_WAITING:
                self._skipped += 1
                return
            if self._skipped:
                self._lines.append(Text(f"{self._skipped} lines are not shown here: they were not taken in time."))
                self._skipped = 0
            self._lines.append(line)
            self._state.notify_all()

    def status(self, status: Text) -> None:
        """Show this as the status line; only the latest counts."""
        with self._state:
            self._status = status
            self._state.notify_all()

    def close(self, patience: float) -> bool:
        """Print what waits, for so many seconds at the most. Returns whether all was taken."""
        end = time.monotonic() + patience
        with self._state:
            self._closing = True
            self._state.notify_all()
        self._thread.join(max(0.0, end - time.monotonic()))
        return not self._thread.is_alive() and not self.gone

    def _work(self) -> None:
        try:
            if self._live is not None:
                self._live.start()
            while self._round():
                pass
            if self._live is not None:
                self._live.stop()
        except (OSError, ValueError, SystemExit):
            # The pipe is closed (which makes rich want to end the program), the terminal lost.
            with self._state:
                self.gone = True
                self._lines.clear()
                self._state.notify_all()

    def _round(self) -> bool:
        with self._state:
            self._state.wait_for(lambda: self._lines or self._status is not None or self._closing)
            lines, status = list(self._lines), self._status
            self._status = None
            if self._closing and not lines:
                if self._skipped:
                    lines = [Text(f"{self._skipped} lines were not shown: they were not taken in time.")]
                    self._skipped = 0
                else:
                    return False
        for line in lines[:50]:
            self.console.print(line, soft_wrap=not self.console.is_terminal)
            with self._state:
                if self._lines:
                    self._lines.popleft()
                self._state.notify_all()
        if status is not None and self._live is not None:
            self._live.update(status, refresh=True)
        return True


def say_last(sentence: str, stream: TextIO) -> None:
    """Say it where somebody may read it, and wait for nobody: the terminal may be gone, or told to stop."""
    try:
        handle = stream.fileno()
    except (OSError, ValueError, AttributeError):
        say(sentence, error=stream is sys.stderr)
        return

    def write() -> None:
        with contextlib.suppress(OSError):
            os.write(handle, f"{sentence}\n".encode())

    with contextlib.suppress(OSError, ValueError):
        stream.flush()
    saying = threading.Thread(target=write, daemon=True)
    saying.start()
    saying.join(LAST_WORDS)
