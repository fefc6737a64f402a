"""What the dashboard needs of a live run: somebody who owns it in a thread of its own, and does what is asked between
two batches.

The pipeline never waits for the screen: the screen asks for a snapshot when it is ready for one, and draws the last it
got. `livewatch.run.live.LiveRun` is such a feed.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import Future
from typing import Protocol, TypeVar

from livewatch.sources.live.status import BusStatus

__all__ = ["LiveFeed"]

T = TypeVar("T")


class LiveFeed(Protocol):
    """Owns a run from `start` to the end of `stop`."""

    @property
    def failure(self) -> BaseException | None:
        """What ended the run against its will."""

    def start(self) -> None:
        """Open the buses and begin.

        Raises:
            SourceError: a bus cannot be opened.
        """

    def stop(self) -> None:
        """End the run and wait for it. Calling it again does nothing."""

    def submit(self, call: Callable[[], T]) -> Future[T]:
        """Have something done by the run's thread between two batches; its result, or what it raised, comes by the
        future. After the end of the run the future fails at once."""

    def statuses(self) -> Sequence[BusStatus]:
        """How each bus is doing."""
