"""What `diagnose` says on standard error, whatever it prints."""

from __future__ import annotations

from livewatch import Diagnosis, Failure
from livewatch.commands.lines import say

__all__ = ["tell_failure", "tell_session"]


def tell_failure(failure: Failure) -> int:
    """Say why there is no diagnosis; its exit code comes back."""
    say(f"livewatch: {failure.text}", error=True)
    return failure.exit_code


def tell_session(diagnosis: Diagnosis) -> None:
    """Say where the session folder is, if one was left."""
    if diagnosis.session is not None:
        say(f"The session folder is {diagnosis.session}", error=True)
