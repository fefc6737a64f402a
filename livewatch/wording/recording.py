"""What became of a recording, in one sentence.

A recorder that was closed comes in, the last thing a run says comes out.
"""

from __future__ import annotations

from livewatch.session.recorder import Recorder

__all__ = ["kept_sentence"]


def kept_sentence(recorder: Recorder) -> str:
    """Where the recording is, how much it holds, and what is missing from it."""
    path = recorder.folder.path
    if not path.is_dir():
        return f"The session folder {path} is gone; what was recorded in it is lost."
    held = f"The session folder is {path}: {recorder.kept_rows} rows and {recorder.kept_events} events"
    losses = ", ".join(f"{number} {kind}" for kind, number in recorder.losses.items())
    if not recorder.finished:
        why = recorder.trouble or "the disk does not answer"
        return f"{held}; it could not be closed: {why}{f' ({losses})' if losses else ''}."
    return f"{held}; it is not whole: {losses}." if losses else f"{held}, all there were."
