"""What is needed of Textual beyond what it promises: the only module that touches its private parts.

`tests/dashboard/test_textual_internals.py` holds them on the versions of Textual that pyproject.toml allows; widen that
range only when it passes.
"""

from __future__ import annotations

import os
import queue
import select
import sys
from contextlib import suppress

from rich.segment import Segment
from textual.app import App
from textual.color import Color
from textual.filter import LineFilter

from livewatch.dashboard.drawing.plain import as_plain

__all__ = ["AsciiFilter", "TextualApp"]


class AsciiFilter(LineFilter):
    """Keeps everything Textual itself draws (scroll bars, cursors, the command palette) to ASCII."""

    def apply(self, segments: list[Segment], background: Color) -> list[Segment]:
        """The same line in printable ASCII."""
        return [
            segment if segment.text.isascii() else Segment(as_plain(segment.text), segment.style, segment.control)
            for segment in segments
        ]


class TextualApp(App[None]):
    """A Textual program that can leave after a fault of its own, knows how far the terminal is behind, and can show
    ASCII only."""

    fault: Exception | None = None
    """What broke the screen."""

    def __init__(self) -> None:
        super().__init__()
        self._ascii = AsciiFilter(False)
        self._filters.append(self._ascii)
        self._keyboard = _keyboard()

    def show_ascii_only(self, plain: bool) -> None:
        """From the next line drawn on."""
        self._ascii.enabled = plain

    @property
    def output_waiting(self) -> int:
        """Pieces of output that the terminal has not taken yet; 0 where that cannot be told."""
        writer = getattr(self._driver, "_writer_thread", None)
        return 0 if writer is None else int(writer._queue.qsize())

    @property
    def keyboard_gone(self) -> bool:
        """Whether the terminal hung up, which a screen that writes nothing, or elsewhere, does not notice; False where
        that cannot be told. Textual goes on reading it, without pause."""
        return self._keyboard is not None and any(event & select.POLLHUP for _, event in self._keyboard.poll(0))

    @property
    def output_gone(self) -> bool:
        """Whether nobody takes the output any more: the terminal went away."""
        writer = getattr(self._driver, "_writer_thread", None)
        return writer is not None and writer.ident is not None and not writer.is_alive()

    def throw_output_away(self) -> None:
        """What waits now: a terminal that takes nothing must not keep the program from its end."""
        writer = getattr(self._driver, "_writer_thread", None)
        if writer is None:
            return
        if not writer.is_alive():
            with suppress(queue.Empty):
                while True:
                    writer._queue.get_nowait()
        with suppress(ImportError, OSError, ValueError):
            import termios

            with suppress(termios.error):
                termios.tcflush(writer.fileno(), termios.TCOFLUSH)
                # Whoever waits to write is woken by the terminal's going on alone.
                termios.tcflow(writer.fileno(), termios.TCOOFF)
                termios.tcflow(writer.fileno(), termios.TCOON)

    def _handle_exception(self, error: Exception) -> None:
        """A fault of the screen: leave the terminal in order, and let whoever shows it decide."""
        self.fault = error
        if self.is_headless or os.environ.get("TEXTUAL"):
            super()._handle_exception(error)
            return
        self._close_messages_no_wait()


def _keyboard() -> select.poll | None:
    """What Textual reads keys from, where that is a terminal and this system can be asked about it (not Windows)."""
    stdin = sys.__stdin__
    if stdin is None or stdin.closed or not stdin.isatty() or not hasattr(select, "poll"):
        return None
    keyboard = select.poll()
    keyboard.register(stdin.fileno(), 0)
    return keyboard
