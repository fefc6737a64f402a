"""Items of an iterator made one step ahead, in a thread of their own.

Reading, unpacking and decoding are long calls that leave the interpreter to others (zlib, numpy): made ahead, they run
side by side with what is done with their results. The order of the items is kept.
"""

from __future__ import annotations

import queue
import threading
from collections.abc import Iterator
from typing import TypeVar

__all__ = ["ahead"]

Item = TypeVar("Item")

AHEAD = 4
"""Items made ahead at the most."""


def ahead(items: Iterator[Item]) -> Iterator[Item]:
    """The same items, made in another thread, at most AHEAD before they are asked for. What goes wrong there is raised
    here, after the items before it. Leaving off early ends the thread."""
    waiting: queue.Queue[tuple[Item] | BaseException | None] = queue.Queue(AHEAD)
    stop = threading.Event()

    def put(item: tuple[Item] | BaseException | None) -> bool:
        while not stop.is_set():
            try:
                waiting.put(item, timeout=0.1)
            except queue.Full:
                continue
            return True
        return False

    def read() -> None:
        try:
            for made in items:
                if not put((made,)):
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
            yield item[0]
    finally:
        stop.set()
        thread.join()
