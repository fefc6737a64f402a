"""A source through a run as fast as it goes.

The source is read and decoded ahead in a thread of its own: these are long numpy operations, which run side by side
with those on ticks. The order of the rows, and so every event, is that of the source.
"""

from __future__ import annotations

from collections.abc import Callable

from livewatch.run.freed_memory import keep_freed
from livewatch.run.opening import Source
from livewatch.run.run import Run
from livewatch.sources.recordings.read_ahead import ahead

__all__ = ["read_through"]

BATCH = 131_072
"""Rows read at once: large enough that the work of a batch outweighs its fixed cost."""


def read_through(source: Source, run: Run, progress: Callable[[float], None] | None = None) -> None:
    """Push every row of `source` through `run` and close the run. `progress` is told the share read, 0..1.

    Raises:
        SourceError: nothing could be read.
    """
    keep_freed()
    run.pipeline.patient = True
    for piece in ahead(piece for batch in source.batches(BATCH) for piece in run.pipeline.decoded(batch)):
        run.push(piece)
        if progress is not None:
            progress(source.progress)
    run.count(source.counts)
    run.close(source.end)
