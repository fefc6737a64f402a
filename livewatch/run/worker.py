"""A thread that owns something, and a mailbox of what others want done with it.

What to do again and again comes in; so do calls of other threads, which are carried out between two rounds, in the
order they were handed in. Whatever belongs to the worker is touched by its thread alone from `start` to the end of
`stop`.
"""

from __future__ import annotations

import contextlib
import queue
import threading
from collections.abc import Callable
from concurrent.futures import Future
from typing import Any, TypeVar

from livewatch.errors import LivewatchError

__all__ = ["Worker"]

T = TypeVar("T")


class Worker:
    """Args:
    name: of the thread.
    work: one round; returns for how many seconds nothing is due.
    finish: called once after the last round, whatever ended it.
    ended: what is told to whoever wants something done after the end.

    `failure` is what ended the thread against its will.
    """

    def __init__(self, name: str, work: Callable[[], float], finish: Callable[[], None], ended: str) -> None:
        self.failure: BaseException | None = None
        self._work, self._finish, self._ended = work, finish, ended
        self._mailbox: queue.SimpleQueue[tuple[Callable[[], Any], Future[Any]]] = queue.SimpleQueue()
        self._thread = threading.Thread(target=self._live, name=name, daemon=True)
        self._stopping = False

    @property
    def started(self) -> bool:
        """Whether `start` was called."""
        return self._thread.ident is not None

    @property
    def running(self) -> bool:
        """Whether the thread runs."""
        return self._thread.is_alive()

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def stop(self) -> None:
        """Have the thread end after its round, and wait for it. Calling it again does nothing."""
        self._stopping = True
        if self.started:
            self.submit(lambda: None)
            self._thread.join()

    def submit(self, call: Callable[[], T]) -> Future[T]:
        """Have something done by the thread between two rounds; its result, or what it raised, comes by the future.
        Before the start it waits for it; after the end the future fails at once."""
        done: Future[T] = Future()
        self._mailbox.put((call, done))
        if self.started and not self.running:
            self._refuse()
        return done

    def _live(self) -> None:
        try:
            rest = 0.0
            while not self._stopping:
                self._serve(rest)
                rest = self._work()
        except BaseException as error:
            self.failure = error
        try:
            self._finish()
        except BaseException as error:
            self.failure = self.failure or error
        finally:
            self._refuse()

    def _serve(self, rest: float) -> None:
        """Do what is wished for; wait so long for the first wish."""
        with contextlib.suppress(queue.Empty):
            call, done = self._mailbox.get(timeout=rest) if rest > 0 else self._mailbox.get_nowait()
            while True:
                try:
                    done.set_result(call())
                except Exception as error:
                    done.set_exception(error)
                call, done = self._mailbox.get_nowait()

    def _refuse(self) -> None:
        why = f": {self.failure}" if self.failure is not None else ""
        with contextlib.suppress(queue.Empty):
            while True:
                self._mailbox.get_nowait()[1].set_exception(LivewatchError(self._ended + why))
