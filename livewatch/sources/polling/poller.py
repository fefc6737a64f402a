"""Asking a car on its diagnostic port, when that was asked for: only requests that read.

The polls of a profile and the frames received go in; request frames go out through the live source, which lets nothing
but reading requests pass and marks them as sent. The answers are frames like any others: they are recorded and decoded
on the one path. What is asked when is `port`'s; here is the thread that drives it by the machine's clock: woken by each
frame of the port, so that the next request goes out as soon as the last is answered, and holding up nobody.
"""

from __future__ import annotations

import contextlib
import queue
import threading
import time
from collections.abc import Callable
from typing import NamedTuple, Protocol

from livewatch.data.python_can import can
from livewatch.profile.diagnostic_port.addresses import answer_identifiers, request_identifiers
from livewatch.profile.model import Profile
from livewatch.sources.polling.port import PolledPort, Sender

__all__ = ["Poller", "PortSource"]

STEP = 0.050
"""Seconds between looks at what is due, when no frame comes."""
MOST_WAITING = 20_000
"""Frames of diagnostic ports that wait for the poller."""
LAST_QUESTIONS = 3.0
"""Seconds that the units have at the end of a run to answer what they are asked about themselves."""


class PortSource(Sender, Protocol):
    """A live source, as the poller needs it."""

    def overhear(self, hear: Callable[[str, can.Message], None]) -> None:
        """Have `hear` called with the name of the bus and each message, by the thread that received it."""


class _Heard(NamedTuple):
    bus: str
    extended: bool
    identifier: int
    data: bytes
    time: float


class Poller:
    """Asks in a thread of its own, so that an adapter that is slow to take a request holds up nobody else.

    Args:
        profile: whose diagnostic ports are polled.
        source: where requests go, and frames come from.
    """

    def __init__(self, profile: Profile, source: PortSource) -> None:
        self._ports = [PolledPort(port, source) for port in profile.diagnostics if port.poll]
        self._theirs = {
            (port.bus, port.extended): frozenset(
                {*answer_identifiers(port.extended), *request_identifiers(port.extended), *port.answers}
            )
            for port in profile.diagnostics
            if port.poll
        }
        self._received: queue.Queue[_Heard | None] = queue.Queue(MOST_WAITING)
        self._missed = 0
        self._stopping = False
        self._finish = threading.Event()
        self._finished = threading.Event()
        self._thread = threading.Thread(target=self._work, name="livewatch poller", daemon=True)
        source.overhear(self._hear)

    @property
    def ports(self) -> list[PolledPort]:
        """What came of the polling, port by port; for looking at only."""
        return list(self._ports)

    @property
    def counts(self) -> dict[str, int]:
        """What went unanswered so far, by plain-worded kind."""
        total = {"frames the poller was too slow for": self._missed} if self._missed else {}
        for port in self._ports:
            for kind, number in tuple(port.counts.items()):
                total[kind] = total.get(kind, 0) + number
        return total

    def start(self) -> None:
        """Begin to ask."""
        self._thread.start()

    def finish(self) -> None:
        """Ask the units about themselves a last time, which takes LAST_QUESTIONS seconds at most; then nothing more."""
        if self._thread.ident is not None and self._thread.is_alive():
            self._finish.set()
            self._wake()
            self._finished.wait(LAST_QUESTIONS)

    def stop(self) -> None:
        """Ask no more. A request that an adapter does not take is waited for a second."""
        self._stopping = True
        self._wake()
        if self._thread.ident is not None:
            self._thread.join(1.0)

    def _wake(self) -> None:
        with contextlib.suppress(queue.Full):
            self._received.put_nowait(None)

    def _hear(self, bus: str, message: can.Message) -> None:
        """Take a message; called by readers. Does not wait: one for which there is no room is counted."""
        theirs = self._theirs.get((bus, message.is_extended_id))
        if theirs is None or message.arbitration_id not in theirs:
            return
        if message.is_error_frame or message.is_remote_frame or not message.data:
            return
        heard = _Heard(bus, message.is_extended_id, message.arbitration_id, bytes(message.data), time.monotonic())
        try:
            self._received.put_nowait(heard)
        except queue.Full:
            self._missed += 1

    def _work(self) -> None:
        while not self._stopping:
            pause = min([port.due for port in self._ports], default=STEP) - time.monotonic()
            try:
                heard = self._received.get(timeout=min(max(pause, 0.0005), STEP))
            except queue.Empty:
                heard = None
            while heard is not None:
                for port in self._ports:
                    if (port.port.bus, port.port.extended) == (heard.bus, heard.extended):
                        port.hear(heard.identifier, heard.data, heard.time)
                try:
                    heard = self._received.get_nowait()
                except queue.Empty:
                    heard = None
            self._step()

    def _step(self) -> None:
        now = time.monotonic()
        for port in self._ports:
            if self._finish.is_set() and not port.finishing:
                port.finish(now)
            port.step(now)
        if self._finish.is_set() and all(port.done for port in self._ports):
            self._finished.set()
