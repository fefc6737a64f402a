"""The page a command prints on, and the lines beside it: nothing of a stranger's is taken for markup or a control code.

Tables, `Text` and strings go in; what reaches the terminal has been through `wording.shown`. A style is given as such,
never inside a string.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from rich.console import Console, ConsoleOptions, RenderableType
from rich.segment import Segment

from livewatch.commands.lines import say
from livewatch.wording.shown import shown_lines

__all__ = ["Page", "say"]


class Page(Console):
    """A console without markup, emoji codes or highlighting, and with no control code but its own."""

    def __init__(self, *, stderr: bool = False, soft_wrap: bool = False, **options: Any) -> None:
        super().__init__(stderr=stderr, soft_wrap=soft_wrap, markup=False, emoji=False, highlight=False, **options)

    def render(self, renderable: RenderableType, options: ConsoleOptions | None = None) -> Iterable[Segment]:
        """The segments of a renderable, fit to be printed."""
        for segment in super().render(renderable, options):
            text = segment.text
            if segment.control or text.replace("\n", "").isprintable():
                yield segment
            else:
                yield Segment(shown_lines(text), segment.style)
