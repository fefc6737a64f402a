"""A page of text over the views: what the help page and the reading page have in common."""

from __future__ import annotations

from rich.text import Text
from textual.app import ComposeResult
from textual.containers import VerticalScroll
from textual.screen import ModalScreen
from textual.widgets import Static

__all__ = ["Page"]


class Page(ModalScreen[None]):
    """Subclasses give the `text`, and the keys that close it. A click does, too: a tablet has no escape key."""

    def text(self) -> Text:
        """All of it; it can be scrolled."""
        raise NotImplementedError

    def compose(self) -> ComposeResult:
        """The text, with a scroll bar where it is long."""
        with VerticalScroll(id="dialog"):
            yield Static(self.text(), markup=False)

    def on_click(self) -> None:
        """Close it."""
        self.dismiss()
