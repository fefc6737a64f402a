"""A source through a run as fast as it goes.

The source is read one batch ahead in a thread of its own: reading and decoding are long numpy operations that run side
by side. The order of the rows, and so every event, is that of the source.
"""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable, Iterator

from livewatch.run import Run
from livewatch.samples import Rows
from livewatch.sources.opening import Source

__all__ = ["read_ahead", "read_through"]

BATCH = 131_072
"""Rows read at once: large enough that the work of a batch outweighs its fixed cost."""
AHEAD = 4
"""Batches read ahead at the most."""


def read_through(source: Source, run: Run, progress: Callable[[float], None] | None = None) -> None:
    """Push every row of `source` through `run` and close the run. `progress` is told the share read, 0..1.

    Raises:
        SourceError: nothing could be read.
    """
    for batch in read_ahead(source.batches(BATCH)):
        run.push(batch)
        if progress is not None:
            progress(source.progress)
    run.count(source.counts)
    run.close(source.end)


def read_ahead(batches: Iterator[Rows]) -> Iterator[Rows]:
    """The same batches, made in another thread, at most AHEAD before they are asked for. What goes wrong there is
    raised here, after the batches before it."""
    waiting: queue.Queue[Rows | BaseException | None] = queue.Queue(AHEAD)
    stop = threading.Event()

    def put(item: Rows | BaseException | None) -> bool:
        while not stop.is_set():
            try:
                waiting.put(item, timeout=0.1)
            except queue.Full:
                continue
            return True
        return False

    def read() -> None:
        try:
            for batch in batches:
                if not put(batch):
                    return
            put(None)
        except BaseException as error:
            put(error)

    thread = threading.Thread(target=read, name="livewatch-read", daemon=True)
    thread.start()
    try:
        while (item := waiting.get()) is not None:
            if isinstance(item, BaseException):
                raise item
            yield item
    finally:
        stop.set()
        thread.join()
