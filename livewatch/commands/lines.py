"""Lines said beside a page, or for another program: nothing of a stranger's reaches a terminal as a control code."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

from livewatch.wording.shown import shown_lines

if TYPE_CHECKING:
    from livewatch import Diagnosis, Failure

__all__ = ["say", "tell_failure", "tell_session"]


def say(text: str, *, error: bool = False, end: str = "\n") -> None:
    """A line, or several, as they are where they go to a program, else fit to be shown."""
    stream = sys.stderr if error else sys.stdout
    print(shown_lines(text) if error or stream.isatty() else text, file=stream, end=end)


def tell_failure(failure: Failure) -> int:
    """Say why there is no diagnosis; its exit code comes back."""
    say(f"livewatch: {failure.text}", error=True)
    return failure.exit_code


def tell_session(diagnosis: Diagnosis) -> None:
    """Say where the session folder is, if one was left."""
    if diagnosis.session is not None:
        say(f"The session folder is {diagnosis.session}", error=True)
