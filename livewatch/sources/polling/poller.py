"""Asking a car on its diagnostic port, when that was asked for: only requests that read.

The polls of a profile and the frames received go in; request frames go out through the live source, which lets nothing
but reading requests pass and marks them as sent. The answers are frames like any others: they are recorded and decoded
on the one path. One request at a time is open on a port; the next is the one that is due longest. A parameter that is
refused or not answered several times is asked for more rarely instead of filling the bus.

Times: an answer is awaited for 50 ms (P2 of ISO 15765-4) and the way through the adapter; a control unit that answers
"wait" (negative response code 78, ISO 14229-1) has five seconds more, three times for one request. Flow control goes
out for an answer to the request that is open, once.
"""

from __future__ import annotations

import contextlib
import queue
import threading
import time
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from livewatch.data.frames import EXTENDED, SENT, FrameBatch
from livewatch.errors import LivewatchError
from livewatch.profile.diagnostic_port.addresses import FUNCTIONAL, answer_identifiers, request_for
from livewatch.profile.diagnostic_port.answers import NEGATIVE, POSITIVE, WAIT, parameters_of, read_answer
from livewatch.profile.diagnostic_port.transport import Reception
from livewatch.profile.model import Diagnostics, PollRequest, Profile

__all__ = ["Poller"]

ANSWER_WITHIN = 0.150
"""Seconds: P2 and the time frames lie in adapters and between two looks."""
WAIT_LONGER = 5.0
MOST_WAITS = 3
"""Answers "wait" to one request that are heeded; a unit that asks for more has not answered. (ISO 14229-2 sets no
bound; ours.)"""
STEP = 0.005
"""Seconds between looks at what is due."""
MOST_WAITING = 200
"""Batches, of 10 ms each, that wait for the poller."""
RARELY = 10.0
"""Seconds between requests for a parameter that is not answered."""
GIVE_UP_AFTER = 3
AT_ONCE = 6
"""Parameters in one request (SAE J1979: up to six of service 01)."""
FLOW_CONTROL = bytes((0x30, 0, 0, 0, 0, 0, 0, 0))
"""Send all that is left, without pauses (ISO 15765-2)."""
PADDING = 0x55
RANGES = (0x4F, 0x50)
"""Parameters by which an engine computer declares other full-scale values (SAE J1979); asked for at the start, so that
the decoder reads the others right."""
RESCALED = frozenset({0x0B, 0x10, 0x44, *range(0x24, 0x2C), *range(0x34, 0x3C)})
HOUR = 3_600_000_000_000


class Sender(Protocol):
    """The transmitting side of a live source."""

    def send(self, bus: str, identifier: int, data: bytes, extended: bool = False) -> None:
        """Put one diagnostic request on `bus`."""


@dataclass(slots=True)
class _Item:
    """One parameter: when it is due (monotonic, s), how often it went unanswered in a row, and whether it was not in
    the profile and is given up for good when it is not answered."""

    request: PollRequest
    due: float
    unanswered: int = 0
    extra: bool = False


class _Port:
    """One diagnostic port: what is to be asked there, and the request that is open."""

    def __init__(self, port: Diagnostics, sender: Sender, now: float) -> None:
        self.port = port
        self.counts: dict[str, int] = {}
        self._sender = sender
        self._items = [_Item(request, now) for request in port.poll]
        if any(request.service == 1 and request.identifier in RESCALED for request in port.poll):
            asked = {request.identifier for request in port.poll if request.service == 1}
            ranges = [PollRequest(1, identifier, HOUR) for identifier in RANGES if identifier not in asked]
            self._items[:0] = [_Item(request, now, extra=True) for request in ranges]
        self._open: list[_Item] = []
        self._until = 0.0
        self._waits = 0
        self._let_go_on: set[int] = set()
        """Who was sent a flow control for the request that is open."""
        self._receptions: dict[int, Reception] = {}
        self._parameters = parameters_of(port)
        self._single: set[int] = set()
        """Parameters that were left out of an answer to several: asked for alone from then on."""

    def observe(self, identifier: int, data: bytes, time: int, now: float) -> None:
        """Take one frame received on the port's bus, stamped `time` (ns)."""
        target = request_for(identifier, self.port.extended)
        if target is None and identifier not in self.port.answers:
            return
        if data[0] >> 4 == 1 and identifier not in self._let_go_on and self._asked_for(data[2:], target):
            self._let_go_on.add(identifier)
            self._send(self.port.request if target is None else target, FLOW_CONTROL)
            self._until = max(self._until, now + ANSWER_WITHIN)
        answer, _ = self._receptions.setdefault(identifier, Reception()).receive(time, data)
        if answer is not None:
            self._answered(answer, now)

    def _asked_for(self, begin: bytes, target: int | None) -> bool:
        """Whether a long answer that begins so, of the unit asked at `target`, is one to the request that is open.
        Other testers' transfers are theirs: a second flow control would spoil them."""
        to_us = target is None or self.port.request in (target, FUNCTIONAL[self.port.extended])
        if not self._open or not to_us:
            return False
        service = self._open[0].request.service
        if len(begin) < 3 or begin[0] != service + POSITIVE:
            return False
        parameter = begin[1] if service == 1 else int.from_bytes(begin[1:3], "big")
        return any(item.request.identifier == parameter for item in self._open)

    def step(self, now: float) -> None:
        """Send the next request if none is open and one is due."""
        if now < self._until:
            return
        for item in self._open:
            self._miss(item, now)
        self._open = []
        due = sorted((item for item in self._items if item.due <= now), key=lambda item: item.due)
        if not due:
            return
        first = due[0].request
        together = [due[0]]
        if first.service == 1 and first.identifier not in self._single:
            fitting = (i for i in due[1:] if i.request.service == 1 and i.request.identifier not in self._single)
            together.extend(item for item, _ in zip(fitting, range(AT_ONCE - 1), strict=False))
        size = 1 if first.service == 1 else 2
        asked = b"".join(item.request.identifier.to_bytes(size, "big") for item in together)
        body = bytes((1 + len(asked), first.service)) + asked
        self._send(self.port.request, body.ljust(8, bytes((PADDING,))))
        self._open = together
        self._waits = 0
        self._let_go_on.clear()
        self._until = now + ANSWER_WITHIN
        for item in together:
            item.due = max(item.due + item.request.every / 1e9, now)

    def _send(self, identifier: int, data: bytes) -> None:
        try:
            self._sender.send(self.port.bus, identifier, data, self.port.extended)
        except LivewatchError:
            # A bus that is lost for a moment refuses; the watching goes on and the request counts as unanswered.
            self._count("requests the adapter did not take")

    def _answered(self, answer: bytes, now: float) -> None:
        """A complete answer: close what it answers of the open request."""
        if not self._open:
            return
        service = self._open[0].request.service
        if answer[0] == NEGATIVE and len(answer) >= 3 and answer[1] == service:
            if answer[2] == WAIT:
                self._waits += 1
                self._until = now + WAIT_LONGER if self._waits <= MOST_WAITS else now
            else:
                self._until = now
            return
        if answer[0] != service + POSITIVE:
            return
        found = {reading.identifier for reading in read_answer(answer, self._parameters)[0]}
        for item in [item for item in self._open if item.request.identifier in found]:
            item.unanswered = 0
            self._open.remove(item)
            self._until = now

    def _count(self, kind: str) -> None:
        self.counts[kind] = self.counts.get(kind, 0) + 1

    def _miss(self, item: _Item, now: float) -> None:
        """A parameter of a request whose time is over was not answered: ask for it alone, and in the end rarely."""
        if item.request.service == 1 and item.request.identifier not in self._single:
            self._single.add(item.request.identifier)
            item.due = now
            return
        item.unanswered += 1
        if item.extra:
            item.due = now if item.unanswered < GIVE_UP_AFTER else float("inf")
            return
        self._count("polls without an answer")
        if item.unanswered >= GIVE_UP_AFTER:
            item.due = now + RARELY


class Poller:
    """Asks in a thread of its own, so that an adapter that is slow to take a request holds up nobody else.

    Args:
        profile: whose diagnostic ports are polled.
        sender: where requests go.
    """

    def __init__(self, profile: Profile, sender: Sender) -> None:
        now = time.monotonic()
        self._ports = [_Port(port, sender, now) for port in profile.diagnostics if port.poll]
        self._received: queue.Queue[FrameBatch | None] = queue.Queue(MOST_WAITING)
        self._missed = 0
        self._stopping = False
        self._thread = threading.Thread(target=self._work, name="livewatch poller", daemon=True)

    @property
    def counts(self) -> dict[str, int]:
        """What went unanswered so far, by plain-worded kind."""
        total = {"batches the poller was too slow for": self._missed} if self._missed else {}
        for port in self._ports:
            for kind, number in tuple(port.counts.items()):
                total[kind] = total.get(kind, 0) + number
        return total

    def start(self) -> None:
        """Begin to ask."""
        self._thread.start()

    def stop(self) -> None:
        """Ask no more. A request that an adapter does not take is waited for a second."""
        self._stopping = True
        with contextlib.suppress(queue.Full):
            self._received.put_nowait(None)
        if self._thread.ident is not None:
            self._thread.join(1.0)

    def observe(self, batch: FrameBatch) -> None:
        """Look at what was received, so that the next request goes out as soon as the last is answered. Does not
        wait: a batch for which there is no room goes by unseen, and is counted."""
        try:
            self._received.put_nowait(batch)
        except queue.Full:
            self._missed += 1

    def _work(self) -> None:
        while not self._stopping:
            with contextlib.suppress(queue.Empty):
                batch = self._received.get(timeout=STEP)
                if batch is not None:
                    self._look(batch)
            for port in self._ports:
                port.step(time.monotonic())

    def _look(self, batch: FrameBatch) -> None:
        now = time.monotonic()
        for port in self._ports:
            buses = [index for index, name in enumerate(batch.buses) if name == port.port.bus]
            on_bus = np.isin(batch.bus, buses) & ((batch.flags & SENT) == 0)
            on_bus &= ((batch.flags & EXTENDED) != 0) == port.port.extended
            on_bus &= np.isin(batch.identifier, [*answer_identifiers(port.port.extended), *port.port.answers]) & (
                batch.length > 0
            )
            for row in np.flatnonzero(on_bus):
                data = batch.data[row, : batch.length[row]].tobytes()
                port.observe(int(batch.identifier[row]), data, int(batch.time[row]), now)
            port.step(now)
