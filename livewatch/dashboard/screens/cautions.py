"""The cautions, before anything else, once for each vehicle. The run goes on behind them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.screen import ModalScreen
from textual.widgets import Static

from livewatch.wording.shown import shown

__all__ = ["CAUTIONS", "Cautions"]

CAUTIONS = (
    "The driver drives. A passenger, or an operator outside the cell, reads the screen and works the keys.",
    "Full-load pulls belong on a closed course or a dyno: car restrained, air moving, fire extinguisher within reach.",
    "livewatch protects no engine and replaces no protection. It only tells. Lift first, read afterwards.",
    "A quiet screen is no promise: it sees what the profile declares, as far as its channels are good.",
    "Local law and the judgement of a licensed professional come first.",
)


class Cautions(ModalScreen[bool]):
    """Gives True when the cautions were acknowledged, False when the person would rather leave."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "answer(True)", "I have read this"),
        Binding("q,escape,ctrl+q,ctrl+c", "answer(False)", "Leave"),
    ]

    def __init__(self, vehicle: str, more: Sequence[str] = ()) -> None:
        super().__init__()
        self._vehicle = vehicle
        self._cautions = (*CAUTIONS, *more)

    def compose(self) -> ComposeResult:
        """Text, and what the two keys do."""
        with Vertical(id="dialog"):
            yield Static(f"Before the first run with {shown(self._vehicle)}", classes="title", markup=False)
            for caution in self._cautions:
                yield Static(f"-  {caution}", classes="caution", markup=False)
            yield Static("enter  I have read this        q  leave", classes="keys", id="answer", markup=False)

    def on_click(self) -> None:
        """A tablet has no enter key."""
        self.dismiss(True)

    def action_answer(self, read: bool) -> None:
        """Go on, or leave."""
        self.dismiss(read)
