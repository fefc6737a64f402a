"""What a person can do to a run: answer alarms, mark a moment, write a note.

Actions are the only input of the pipeline besides frames and samples. They take effect at the data time they are given
at, and the events they cause are logged like any other.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

__all__ = ["Action", "ActionKind"]

ActionKind = Literal[
    "acknowledge",
    "acknowledge_all",
    "shelve",
    "unshelve",
    "remove_from_service",
    "return_to_service",
    "marker",
    "note",
]


@dataclass(frozen=True, slots=True)
class Action:
    """One thing a person did.

    Attributes:
        kind: what was done; alarm words as in ANSI/ISA-18.2.
        subject: the alarm it was done to; empty for `acknowledge_all`, `marker` and `note`.
        duration: nanoseconds, for `shelve` only.
        text: the reason (`remove_from_service`, `shelve`), the note, or the marker's name.
        at: data time in nanoseconds the action belongs to; None for "now", the latest tick. A `note` may be pinned to
            an earlier time; the others always take effect now.
    """

    kind: ActionKind
    subject: str = ""
    duration: int = 0
    text: str = ""
    at: int | None = None
