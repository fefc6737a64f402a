"""What the views say, in full, at the moment the key was pressed. The headline stays in view above it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

from rich.text import Text
from textual.binding import Binding, BindingType

from livewatch.dashboard.screens.page import Page
from livewatch.wording.shown import shown

__all__ = ["ReadingPage"]

LONGEST_PARAGRAPH = 4000
"""Characters."""


class ReadingPage(Page):
    """Args:
    parts: headings, and the paragraphs below each.
    """

    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape,r,q,enter", "dismiss", "Close")]

    def __init__(self, parts: Sequence[tuple[str, Sequence[str]]]) -> None:
        super().__init__()
        self._parts = parts

    def text(self) -> Text:
        """The parts, below what the keys do."""
        text = Text("r closes this; the arrow keys scroll it\n")
        for title, paragraphs in self._parts:
            text.append(f"\n{shown(title)}\n", "bold")
            for paragraph in paragraphs:
                text.append(f"{shown(paragraph, LONGEST_PARAGRAPH)}\n")
        return text
