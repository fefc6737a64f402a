"""Lines said beside a page, or for another program: nothing of a stranger's reaches a terminal as a control code."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

from livewatch.wording.shown import shown_lines

if TYPE_CHECKING:
    from livewatch import Diagnosis, Failure, Recorder

__all__ = ["code_of", "say", "tell_failure", "tell_session"]

NOT_WHOLE = 6
"""Exit code where a recording lacks something."""


def say(text: str, *, error: bool = False, end: str = "\n") -> None:
    """A line, or several, as they are where they go to a program, else fit to be shown."""
    stream = sys.stderr if error else sys.stdout
    print(shown_lines(text) if error or stream.isatty() else text, file=stream, end=end)


def code_of(recorder: Recorder, code: int = 0) -> int:
    """The exit code of a run whose recorder was closed: `code` where the recording is whole."""
    return NOT_WHOLE if recorder.losses or not recorder.finished else code


def tell_failure(failure: Failure) -> int:
    """Say why there is no diagnosis; its exit code comes back."""
    say(f"livewatch: {failure.text}", error=True)
    return failure.exit_code


def tell_session(diagnosis: Diagnosis) -> int:
    """Say where the session folder is, if one was left, and what is missing from it; its exit code comes back."""
    if diagnosis.session is None:
        return 0
    missing = ", ".join(f"{number} {kind}" for kind, number in diagnosis.unkept.items())
    say(f"The session folder is {diagnosis.session}{f'; it is not whole: {missing}' if missing else ''}", error=True)
    return NOT_WHOLE if missing else 0
