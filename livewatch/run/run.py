"""One run: the pipeline, what is recorded of it, and who is told.

Every edge (a live bus, a paced replay, a diagnosis) pushes its batches here. The order is always the same: the raw
rows go to the recorder, the pipeline looks at them, its events are durable on disk, and only then are they announced to
the listeners. A run without a recorder is the same without the disk.
"""

from __future__ import annotations

import copy
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any, NamedTuple, Protocol

from livewatch.data.actions import Action
from livewatch.data.events import Event
from livewatch.data.samples import Rows
from livewatch.decode import Decoded
from livewatch.profile.model import Profile
from livewatch.run.pipeline import Pipeline, Stage
from livewatch.signature import Signature

if TYPE_CHECKING:
    from livewatch.run.history import History

__all__ = ["Checkpoint", "Listener", "RowSink", "Run"]

Listener = Callable[[Sequence[Event]], None]


class RowSink(Protocol):
    """What a recorder does for a run."""

    def write_rows(self, batch: Rows) -> None:
        """Take raw rows; does not wait for the disk."""

    def write_events(self, events: Sequence[Event]) -> object:
        """Take events; returns when those that matter, and the rows before them, are durable."""

    def close(self, utc: int) -> None:
        """End the recording; the run's data ended at `utc` on the source's clock, ns."""


class Checkpoint(NamedTuple):
    """A run as it stood; what is recorded and who listens is no part of it."""

    pipeline: Pipeline
    signature: Signature
    history: History | None


class Run:
    """Args:
    profile: what to watch.
    recorder: where rows and events go, None for nowhere.
    signature: the signature stage; made for the profile when not given.
    history: the thinned past for screens, None for none.
    """

    def __init__(
        self,
        profile: Profile,
        recorder: RowSink | None = None,
        signature: Signature | None = None,
        history: History | None = None,
    ) -> None:
        self.profile = profile
        self.recorder = recorder
        self.signature = signature if signature is not None else Signature(profile)
        self.history = history
        self.listeners: list[Listener] = []
        self.outbox: Listener | None = None
        """Takes the events instead, in a live run, which waits for no disk."""
        stages: list[Stage] = [self.signature]
        if history is not None:
            stages.append(history)
        self.pipeline = Pipeline(profile, stages)
        self.ended = False

    def push(self, batch: Rows | Decoded) -> list[Event]:
        """Take the next rows of the source."""
        if self.recorder is not None:
            self.recorder.write_rows(batch.frames if isinstance(batch, Decoded) else batch)
        return self._announced(self.pipeline.push(batch))

    def _announced(self, events: list[Event]) -> list[Event]:
        """The events to the recorder, then to the listeners; or to whoever does that in a thread of its own."""
        if events and self.outbox is not None:
            self.outbox(events)
        elif events:
            if self.recorder is not None:
                self.recorder.write_events(events)
            for listener in self.listeners:
                listener(events)
        return events

    def advance(self, utc: int) -> list[Event]:
        """Let time pass without rows, up to `utc` on the source's clock, ns."""
        return self._announced(self.pipeline.advance(utc))

    def apply(self, action: Action) -> list[Event]:
        """What a person did.

        Raises:
            ActionError: the action makes no sense now; nothing changed.
        """
        return self._announced(self.pipeline.apply(action))

    def count(self, counts: dict[str, int]) -> None:
        """Set what a source found odd so far; told with the pipeline's own counts."""
        for kind, number in counts.items():
            self.pipeline.counts[kind] = number

    def close(self, utc: int | None = None) -> list[Event]:
        """End the run, at `utc` on the source's clock if it went on after the last row. Calling it again does
        nothing."""
        if self.ended:
            return []
        self.ended = True
        events = self._announced(self.pipeline.finish(utc))
        if self.recorder is not None and self.outbox is None:
            self.recorder.close(self.pipeline.utc)
        return events

    def checkpoint(self) -> Checkpoint:
        """The run as it stands, to be restored any number of times."""
        return self._copied(Checkpoint(self.pipeline, self.signature, self.history))

    def restore(self, checkpoint: Checkpoint) -> None:
        """Stand where the run stood at `checkpoint`."""
        self.pipeline, self.signature, self.history = self._copied(checkpoint)

    def _copied(self, parts: Checkpoint) -> Checkpoint:
        """A copy that shares the profile, which never changes."""
        profile = self.profile
        shared: list[Any] = [profile, *profile.channels, *profile.alarms, *profile.messages]
        for alarm in profile.alarms:
            shared += [alarm.condition, alarm.clear, alarm.enable, alarm.suppress]
        shared += [channel.formula for channel in profile.channels]
        return copy.deepcopy(parts, {id(one): one for one in shared if one is not None})
