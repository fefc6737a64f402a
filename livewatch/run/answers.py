"""What a person did in a run, done again at the same moments of data time.

Events of a log come in; `action_of` gives the action behind one, None for what nobody did. `push_with_answers` reads a
recording through a run that is about to begin, and does what was done: alarms then stand as they stood, acknowledged,
shelved and out of service, and marks and notes are kept.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator, Mapping

import numpy as np

from livewatch.alarms import ActionError
from livewatch.data.actions import Action, ActionKind
from livewatch.data.events import AlarmChanged, Event, MarkerSet, NoteWritten
from livewatch.data.samples import rows_of
from livewatch.run.recording_rows import RecordingRows, pass_time
from livewatch.run.run import Run

__all__ = ["action_of", "push_with_answers"]

_ANSWERS: Mapping[str, ActionKind] = {
    "acknowledged": "acknowledge",
    "reset": "acknowledge",
    "shelved": "shelve",
    "unshelved": "unshelve",
    "removed from service": "remove_from_service",
    "returned to service": "return_to_service",
}
"""Transitions that only a person makes, and how."""


def action_of(event: Event) -> Action | None:
    """What a person did so that `event` happened."""
    match event:
        case AlarmChanged(transition=transition) if transition in _ANSWERS:
            until = 0 if event.until is None else round(event.until * 1e9) - event.time
            return Action(_ANSWERS[transition], event.subject, until, event.reason or "")
        case MarkerSet(text=text, at=at):
            return Action("marker", text=text, at=round(at * 1e9))
        case NoteWritten(text=text, at=at):
            return Action("note", text=text, at=round(at * 1e9))
    return None


def push_with_answers(recording: RecordingRows, run: Run, events: Iterable[Event]) -> Iterator[str]:
    """Push all rows, doing what a person did in `events` (in order) after the tick at which it was done; gives what
    makes no sense now, in words. To be gone through to its end.

    Raises:
        LivewatchError: the recording cannot be read.
    """
    waiting = deque((event.time, action) for event in events if (action := action_of(event)) is not None)
    number = 0
    while (piece := recording.piece(number)) is not None:
        start, number = 0, number + 1
        while waiting and waiting[0][0] < piece.data_time[-1]:
            time, action = waiting.popleft()
            stop = max(start, int(np.searchsorted(piece.data_time, time, side="right")))
            run.push(rows_of(piece.batch, start, stop))
            start = stop
            pass_time(run, piece, start, time)
            yield from _done(run, action)
        run.push(rows_of(piece.batch, start, len(piece.batch)))
    for _, action in waiting:
        yield from _done(run, action)


def _done(run: Run, action: Action) -> Iterator[str]:
    try:
        run.apply(action)
    except ActionError as error:
        yield str(error)
