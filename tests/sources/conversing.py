"""A diagnostic port in virtual time: the poller's port on one side, control units on the other, a bus between them.

No thread and no clock: time jumps to the next thing that happens, so that hours take seconds. Every frame sent goes
through the gate and is kept.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import count
from typing import Protocol

from livewatch.errors import LivewatchError
from livewatch.profile.model import Diagnostics, Profile
from livewatch.simulator.responder import ResponderFrame
from livewatch.sources.live.guard import may_be_sent
from livewatch.sources.polling.port import PolledPort

FRAME_TIME = 0.00025
"""s: a frame of eight bytes at 500 kbit/s, about (ISO 11898-1)."""


class ControlUnit(Protocol):
    """What `simulator.responder.Responder` is, and what a hostile one may be."""

    def receive(self, identifier: int, extended: bool, data: bytes, time: float) -> None: ...
    def frames_until(self, time: float) -> Sequence[ResponderFrame]: ...
    def next_due(self) -> float | None: ...


@dataclass
class VirtualPort:
    """`lose` says of each frame (identifier, data) whether it is lost on the way."""

    diagnostics: Diagnostics
    units: Sequence[ControlUnit]
    lose: Callable[[int, bytes], bool] = lambda identifier, data: False
    now: float = 0.0
    refuses: bool = False
    sent: list[tuple[float, int, bytes]] = field(default_factory=list)
    received: list[tuple[float, int, bytes]] = field(default_factory=list)
    keep: bool = True

    def __post_init__(self) -> None:
        self.port = PolledPort(self.diagnostics, self)
        self._way: list[tuple[float, int, int, bytes, bool]] = []
        self._number = count()

    def send(self, bus: str, identifier: int, data: bytes, extended: bool = False) -> None:
        assert may_be_sent(identifier, extended, data, self.listed), f"{identifier:X}#{data.hex()}"
        if self.refuses:
            raise LivewatchError("the adapter is gone")
        if self.keep:
            self.sent.append((self.now, identifier, data))
        self._put(identifier, data, True)

    @property
    def listed(self) -> frozenset[int]:
        return frozenset(one.identifier for one in self.diagnostics.parameters if one.service == 0x22)

    def run(self, until: float) -> VirtualPort:
        """Let time pass."""
        while True:
            moments = [self.port.due, *(due for unit in self.units if (due := unit.next_due()) is not None)]
            moments += [self._way[0][0]] if self._way else []
            moment = max(self.now, min(moments))
            if moment > until:
                self.now = until
                return self
            self.now = moment
            for unit in self.units:
                for frame in unit.frames_until(self.now):
                    self._put(frame.identifier, frame.data, False)
            while self._way and self._way[0][0] <= self.now:
                _, _, identifier, data, ours = heapq.heappop(self._way)
                if self.lose(identifier, data):
                    continue
                if ours:
                    for unit in self.units:
                        unit.receive(identifier, self.diagnostics.extended, data, self.now)
                else:
                    if self.keep:
                        self.received.append((self.now, identifier, data))
                    self.port.hear(identifier, data, self.now)
            self.port.step(self.now)

    def requests(self, first: float = 0.0) -> Iterator[bytes]:
        """The bodies of the requests sent from `first` on."""
        for moment, _, data in self.sent:
            if moment >= first and data[0] >> 4 == 0:
                yield data[1 : 1 + data[0]]

    def achieved(self, seconds: float) -> dict[tuple[int, int], float]:
        """Answers a second of each poll."""
        return {key: number / seconds for key, number in self.port.answered().items()}

    def _put(self, identifier: int, data: bytes, ours: bool) -> None:
        heapq.heappush(self._way, (self.now + FRAME_TIME, next(self._number), identifier, data, ours))


def diagnostics_of(profile: Profile) -> Diagnostics:
    (port,) = profile.diagnostics
    return port
