"""Short questions at the bottom of the screen, so that the headline stays in view: a text, or one of a few choices."""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar, Generic, TypeVar

from textual import events
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.screen import ModalScreen
from textual.widgets import Input, Static

from livewatch.wording.shown import shown

__all__ = ["AskChoice", "AskText"]

T = TypeVar("T")


class AskText(ModalScreen[str]):
    """Gives the text, empty when the person thought better of it."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape", "leave", "Never mind")]

    def __init__(self, question: str, start: str = "") -> None:
        super().__init__()
        self._question, self._start = question, start

    def compose(self) -> ComposeResult:
        """The question, a line to write on, what the keys do."""
        with Vertical(id="dialog"):
            yield Static(shown(self._question), classes="title", markup=False)
            yield Input(self._start, compact=True, max_length=400)
            yield Static("enter  done        escape  never mind", classes="keys", markup=False)

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Done."""
        self.dismiss(event.value.strip())

    def action_leave(self) -> None:
        """Never mind."""
        self.dismiss("")


class AskChoice(ModalScreen[T | None], Generic[T]):
    """Gives what belongs to the choice, None when the person thought better of it. Each choice has a digit, and can
    be clicked; Ctrl-C gives `insisting`."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape,q", "leave", "Never mind"),
        Binding("ctrl+c", "insist", "End", show=False),
    ]

    def __init__(self, question: str, choices: Sequence[tuple[str, T]], insisting: T | None = None) -> None:
        super().__init__()
        self._question, self._choices, self._insisting = question, tuple(choices), insisting

    def compose(self) -> ComposeResult:
        """The question, then the choices."""
        with Vertical(id="dialog"):
            yield Static(shown(self._question), classes="title", markup=False)
            for number, (words, _) in enumerate(self._choices, 1):
                yield Static(f"{number}  {words}", id=f"choice-{number}", markup=False)
            yield Static("escape  never mind", classes="keys", markup=False)

    def on_key(self, event: events.Key) -> None:
        """A digit chooses."""
        if event.character and event.character.isdigit() and 1 <= int(event.character) <= len(self._choices):
            event.stop()
            self.dismiss(self._choices[int(event.character) - 1][1])

    def on_click(self, event: events.Click) -> None:
        """So does a click."""
        name = "" if event.widget is None or event.widget.id is None else event.widget.id
        if name.startswith("choice-"):
            self.dismiss(self._choices[int(name.removeprefix("choice-")) - 1][1])

    def action_insist(self) -> None:
        """Ctrl-C."""
        self.dismiss(self._insisting)

    def action_leave(self) -> None:
        """Never mind."""
        self.dismiss(None)
