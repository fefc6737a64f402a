"""Every key and what it does, made from the bindings."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby
from typing import ClassVar

from rich.text import Text
from textual.binding import Binding, BindingType

from livewatch.dashboard.bindings import Key
from livewatch.dashboard.screens.cautions import CAUTIONS
from livewatch.dashboard.screens.page import Page

__all__ = ["HelpPage"]

WHERE = {
    "everywhere": "",
    "cell": "cell view",
    "on the bench": "bench",
    "bench": "bench, or any view of a replay",
    "replay": "replay",
}


class HelpPage(Page):
    """Any key closes it."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape,question_mark,f1,q,enter", "dismiss", "Close")]

    def __init__(self, keys: Sequence[Key]) -> None:
        super().__init__()
        self._keys = keys

    def text(self) -> Text:
        """A list by group, then the signs, then the cautions."""
        text = Text()
        for group, keys in groupby(sorted(self._keys, key=_group_place), key=lambda key: key.group):
            text.append(f"{group}\n", "bold")
            for key in keys:
                where = f"  ({WHERE[key.where]})" if WHERE[key.where] else ""
                text.append(f"  {key.shown:<8}{key.help}{where}\n")
            text.append("\n")
        text.append("What the signs mean\n", "bold")
        for sign, meaning in SIGNS:
            text.append(f"  {sign:<11}{meaning}\n")
        text.append("\nCautions\n", "bold")
        for caution in CAUTIONS:
            text.append(f"  {caution}\n")
        text.append("\nescape closes this page; the arrow keys scroll it")
        return text


SIGNS = (
    ("▲▲", "critical: act now"),
    ("▲", "high: act soon"),
    ("◆", "medium: look into it"),
    ("●", "low: know of it"),
    ("heavy", "a figure drawn heavy has an alarm on it; one in dots is too old to trust, its age stands below"),
    ("━ ■", "a correction in its everyday band, and the part of one beyond it; dots reach to the limit"),
    ("┆", "the furthest a correction has been"),
    ("» more: r", "there is more than fits here: the key r shows all of it"),
    ("filled", "an alarm's word is filled until somebody acknowledges it"),
)


def _group_place(key: Key) -> int:
    return ("Alarms", "Look", "Time", "Write down", "Program").index(key.group)
