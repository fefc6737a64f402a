"""What goes wrong, said so that a person can put it right.

Everything livewatch raises for a reason outside its own code derives from `LivewatchError`. The command line prints
`str(error)` and ends with `error.exit_code`; no traceback reaches a user. A `Mistake` is one wrong place in one file;
`MistakesError` carries all of them at once, in file order.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

__all__ = ["LivewatchError", "Mistake", "MistakesError", "SourceError", "UsageError", "nearest", "oddities", "said_by"]


class LivewatchError(Exception):
    """A failure with a message meant for the user. `exit_code` is what the process ends with."""

    exit_code = 1


class UsageError(LivewatchError):
    """The command line, or a combination of its options, makes no sense."""

    exit_code = 2


class SourceError(LivewatchError):
    """A recording, bus or table cannot be read at all."""

    exit_code = 4


@dataclass(frozen=True, order=True)
class Mistake:
    """One wrong place: `file`, 1-based `line` and `column` (0 when the whole file is meant), and what is wrong there.

    `problem` says what was found and what was expected, in one sentence without a final full stop.
    """

    file: str
    line: int
    column: int
    problem: str

    def __str__(self) -> str:
        where = f"{self.file}:{self.line}:{self.column}" if self.line else self.file
        return f"{where}: {self.problem}"


class MistakesError(LivewatchError):
    """All mistakes found in what the user wrote (a profile, a build sheet, a DBC), reported together."""

    exit_code = 3

    def __init__(self, mistakes: Iterable[Mistake]) -> None:
        self.mistakes: Sequence[Mistake] = tuple(sorted(set(mistakes)))
        many = len(self.mistakes)
        head = "1 mistake" if many == 1 else f"{many} mistakes"
        super().__init__("\n".join([f"{head} found:", *(f"  {mistake}" for mistake in self.mistakes)]))


def nearest(name: str, right: Iterable[str]) -> str:
    """` (did you mean X?)` for the closest of the `right` names, or an empty string when none is close."""
    close = difflib.get_close_matches(name, list(right), n=1, cutoff=0.6)
    return f" (did you mean {close[0]}?)" if close else ""


def oddities(counts: Mapping[str, int]) -> str:
    """` (3 lines that are not frames)` for a message; an empty string when nothing was counted."""
    return f" ({', '.join(f'{count} {what}' for what, count in counts.items())})" if counts else ""


def said_by(error: BaseException) -> str:
    """The first line of what a library says went wrong, or the kind of it when it says nothing."""
    return (str(error).splitlines() or [type(error).__name__])[0]
