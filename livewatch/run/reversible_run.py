"""A run over a recording that can be taken back to an earlier time.

`RecordingRows` come in; a `Run` comes out that stands at any data time asked for. Every minute of data time, and
whenever it goes back, a checkpoint of the run is kept; going back restores one and runs from there. The recorder is
given each row and each event once, the first time it is passed.
"""

from __future__ import annotations

import time as wall
from bisect import bisect_right
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from livewatch.alarms import ActionError
from livewatch.data.actions import Action
from livewatch.data.events import Event
from livewatch.data.samples import Rows, rows_of
from livewatch.errors import LivewatchError
from livewatch.profile.model import Profile
from livewatch.run.history import History
from livewatch.run.opening import Source
from livewatch.run.recording_rows import Piece, RecordingRows, pass_time
from livewatch.run.run import Checkpoint, RowSink, Run

__all__ = ["ReversibleRun"]

SPACING = 60_000_000_000
"""Data time, ns, between places to go back to while there are few."""
MOST_RETURNS = 64
CHUNK = 4096
"""Rows pushed at once at the most, so that a person is not kept waiting."""
KEPT = 1_000_000_000


@dataclass(frozen=True, slots=True)
class _Position:
    """Where the run stands: piece of the recording, row in it, rows and events passed, actions applied."""

    piece: int = 0
    row: int = 0
    rows: int = 0
    events: int = 0
    actions: int = 0


@dataclass(frozen=True, slots=True, eq=False)
class _Return:
    """Where the run can go back to."""

    time: int
    position: _Position
    checkpoint: Checkpoint


@dataclass(frozen=True, slots=True)
class _Applied:
    """A person's action on an alarm, after so many rows, at a data time."""

    rows: int
    time: int
    action: Action


class _Ledger:
    """Stands between the run and its recorder: what was recorded once is not recorded again."""

    def __init__(self, recorder: RowSink | None) -> None:
        self.recorder = recorder
        self.rows = self.events = 0
        """Passed by the run where it stands now."""
        self.recorded_rows = self.recorded_events = 0

    @property
    def behind(self) -> bool:
        """Whether the run stands before the end of what was recorded."""
        return self.rows < self.recorded_rows or self.events < self.recorded_events

    def write_rows(self, batch: Rows) -> None:
        self.rows += len(batch)
        new = min(len(batch), self.rows - self.recorded_rows)
        if new > 0:
            self.recorded_rows = self.rows
            if self.recorder is not None:
                self.recorder.write_rows(rows_of(batch, len(batch) - new, len(batch)))

    def write_events(self, events: Sequence[Event]) -> None:
        self.events += len(events)
        new = min(len(events), self.events - self.recorded_events)
        if new > 0:
            self.recorded_events = self.events
            self.add(events[len(events) - new :])

    def add(self, events: Sequence[Event]) -> None:
        """Record events that no run gives again."""
        if self.recorder is not None:
            self.recorder.write_events(events)

    def close(self, utc: int) -> None:
        if self.recorder is not None:
            self.recorder.close(utc)


class ReversibleRun:
    """Args:
    open_source: opens the recording anew.
    recorder: where rows and events go, each once; None for nowhere.
    """

    def __init__(self, open_source: Callable[[], Source], profile: Profile, recorder: RowSink | None) -> None:
        self.profile = profile
        self.additions: list[Event] = []
        self.furthest = 0
        self.at_end = False
        self.problem = ""
        """Why the recording cannot be read to its end; empty when it can."""
        self._furthest_utc = 0
        self._recording = RecordingRows(open_source)
        self._ledger = _Ledger(recorder)
        self.run = Run(profile, self._ledger, history=History(profile, keep=KEPT))
        self._position = _Position()
        self._applied: list[_Applied] = []
        self._spacing = SPACING
        self._returns = [self._return()]

    @property
    def time(self) -> int:
        """Data time of the latest tick, ns."""
        return self.run.pipeline.time

    @property
    def next_row(self) -> int | None:
        """Data time of the next row, ns; None at the end."""
        piece = self._piece(self._position.piece)
        return None if piece is None else int(piece.data_time[self._position.row])

    def go(self, target: int, deadline: float) -> bool:
        """Bring the run to data time `target` (ns), forwards or back, until the machine's monotonic clock passes
        `deadline`. Returns whether it has arrived, at the target or at the end of the recording."""
        self._jump(target)
        while True:
            arrived = self._forward(target)
            if self.time >= self._returns[-1].time + self._spacing:
                self._keep()
            if self.time > self.furthest:
                self.furthest, self._furthest_utc = self.time, self.run.pipeline.utc
            if arrived or wall.monotonic() >= deadline:
                return arrived

    def apply(self, action: Action) -> list[Event]:
        """Carry out what a person did.

        Raises:
            ActionError: it makes no sense now, or the run stands behind the end of the log.
        """
        if action.kind in ("note", "marker"):
            if action.at is None:
                action = replace(action, at=self.time)
            events = [
                replace(event, time=max(event.time, self.furthest), utc=self._furthest_utc or event.utc)
                for event in self.run.pipeline.apply(action)
            ]
            self._ledger.add(events)
            self.additions += events
            return events
        if self._ledger.behind:
            raise ActionError(
                f"this has been passed already: alarms are answered at the furthest point reached, "
                f"{self.furthest / 1e9:g} s"
            )
        events = self.run.apply(action)
        self._applied.append(_Applied(self._position.rows, self.time, action))
        self._position = replace(self._position, events=self._ledger.events, actions=len(self._applied))
        return events

    def close(self) -> None:
        """Go to the end of the log and end the run there."""
        if self._ledger.behind:
            self.go(self.furthest, float("inf"))
        while self._ledger.behind and not self._forward(self.time + self.profile.period):
            pass
        if self.at_end:
            self.run.count(self._recording.counts)
        self.run.close(self._recording.end if self.at_end else None)

    def _piece(self, number: int) -> Piece | None:
        """A piece of the recording; what cannot be read is its end."""
        try:
            return self._recording.piece(number)
        except LivewatchError as error:
            self.problem = str(error)
            return None

    def _forward(self, target: int) -> bool:
        """Push some rows towards `target`; whether it is reached."""
        position = self._position
        due = self._applied[position.actions] if position.actions < len(self._applied) else None
        if due is not None and position.rows == due.rows and (self.time >= due.time or target >= due.time):
            if self.time < due.time:
                self._pass_time(due.time)
            self.run.apply(due.action)
            self._position = replace(position, actions=position.actions + 1, events=self._ledger.events)
            return False
        piece = self._piece(position.piece)
        if piece is None:
            self.at_end = True
            return True
        stop = min(int(np.searchsorted(piece.data_time, target, side="right")), position.row + CHUNK)
        if due is not None:
            stop = min(stop, position.row + due.rows - position.rows)
        if self._ledger.behind:
            stop = min(stop, position.row + max(1, self._ledger.recorded_rows - position.rows))
        if stop <= position.row:
            self._pass_time(target)
            return True
        self.run.push(rows_of(piece.batch, position.row, stop))
        rows = position.rows + stop - position.row
        over = stop == len(piece.batch)
        self._position = replace(
            position,
            piece=position.piece + over,
            row=0 if over else stop,
            rows=rows,
            events=self._ledger.events,
        )
        return False

    def _pass_time(self, target: int) -> None:
        """Let data time pass up to the tick at `target`, as far as the next row leaves no doubt about it."""
        piece = self._piece(self._position.piece)
        if piece is not None and pass_time(self.run, piece, self._position.row, target):
            self._position = replace(self._position, events=self._ledger.events)

    def _jump(self, target: int) -> None:
        """Restore the checkpoint nearest before `target`, if that is nearer than where the run stands."""
        times = [one.time for one in self._returns]
        best = self._returns[max(0, bisect_right(times, target) - 1)]
        if self.time <= target and best.time <= self.time:
            return
        if self.time > target and self.time > times[-1]:
            self._keep()
        self.run.restore(best.checkpoint)
        self._position = best.position
        self._ledger.rows, self._ledger.events = best.position.rows, best.position.events
        self.at_end = False

    def _keep(self) -> None:
        self._returns.append(self._return())
        if len(self._returns) > MOST_RETURNS:
            del self._returns[1:-1:2]
            self._spacing *= 2

    def _return(self) -> _Return:
        return _Return(self.time, self._position, self.run.checkpoint())
