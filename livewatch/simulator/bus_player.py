"""A simulated drive on a real or virtual bus, in real time, and its diagnostic port answering there.

In: frame batches, an open python-can bus for each bus name, a responder. Out: frames sent when their time has come.
A bus that cannot take a frame loses it, which is counted; error frames belong to the bus and are not sent.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

from livewatch.data.frames import ERROR, FrameBatch
from livewatch.data.python_can import can
from livewatch.simulator.responder import Responder

__all__ = ["Played", "play"]

LONGEST_WAIT = 0.05
"""s between looks at the clock and at requests."""
TELL_EVERY = 0.2
"""s of the drive between calls of `tell`."""
PIECE = 2_000
"""Frames turned into messages at once."""
Buses = Mapping[str, can.BusABC]


@dataclass(slots=True)
class Played:
    """What has gone out: frames `sent`, `lost` because the bus did not take them, answers given on the port."""

    sent: int = 0
    lost: int = 0
    answered: int = 0
    seconds: float = 0.0


def play(
    batches: Iterable[FrameBatch],
    buses: Buses,
    begins: int,
    duration: float,
    port: tuple[str, Responder] | None = None,
    tell: Callable[[Played], None] | None = None,
    speed: float = 1.0,
) -> Played:
    """Play the frames, answering requests meanwhile, until `duration` s of the drive are over.

    Args:
        begins: ns at which the drive begins on the frames' clock.
        port: the bus with the diagnostic port, and who answers there.
        tell: called about five times a second with what has been played so far.
        speed: how much faster than real time.
    """
    playing = _Playing(buses, duration, port, tell, speed)
    for batch in batches:
        for first in range(0, len(batch), PIECE):
            piece = batch[first : first + PIECE]
            for place, message in enumerate(piece.to_messages()):
                moment = (int(piece.time[place]) - begins) / 1e9
                if moment > playing.now() + 0.0005:
                    playing.wait_until(moment)
                if piece.flags[place] & ERROR:
                    continue
                message.channel = None
                playing.send(buses[piece.buses[piece.bus[place]]], message)
    playing.wait_until(duration)
    playing.played.seconds = duration
    return playing.played


class _Playing:
    """A drive being played: its clock, what has gone out, and the port that answers meanwhile."""

    def __init__(
        self,
        buses: Buses,
        duration: float,
        port: tuple[str, Responder] | None,
        tell: Callable[[Played], None] | None,
        speed: float,
    ) -> None:
        self.played = Played()
        self._duration, self._tell, self._speed = duration, tell, speed
        self._bus = buses[port[0]] if port is not None else None
        self._responder = port[1] if port is not None else None
        self._start = time.monotonic()
        self._told = -1.0

    def now(self) -> float:
        """s of the drive."""
        return (time.monotonic() - self._start) * self._speed

    def wait_until(self, moment: float) -> None:
        """Answer, tell and sleep until that second of the drive."""
        while True:
            current = self.now()
            if self._tell is not None and current - self._told > TELL_EVERY:
                self._told = current
                self.played.seconds = min(current, self._duration)
                self._tell(self.played)
            self._answer(current)
            left = moment - self.now()
            if left <= 0.0:
                return
            pause = min(left / self._speed, LONGEST_WAIT)
            if self._bus is None or self._responder is None:
                time.sleep(pause)
                continue
            due = self._responder.next_due()
            if due is not None:
                pause = min(pause, max(0.0, (due - self.now()) / self._speed))
            message = self._bus.recv(pause)
            if message is not None:
                self._hear(message, self.now())

    def send(self, bus: can.BusABC, message: can.Message) -> None:
        """Send one frame; the bus may lose it."""
        try:
            bus.send(message, timeout=0.02)
            self.played.sent += 1
        except can.CanError:
            self.played.lost += 1

    def _answer(self, moment: float) -> None:
        """Read what has come without waiting, and send what is due."""
        if self._bus is None or self._responder is None:
            return
        while (message := self._bus.recv(0.0)) is not None:
            self._hear(message, moment)
        for frame in self._responder.frames_until(moment):
            answer = can.Message(arbitration_id=frame.identifier, is_extended_id=frame.extended, data=frame.data)
            self.send(self._bus, answer)
            self.played.answered += 1

    def _hear(self, message: can.Message, moment: float) -> None:
        if self._responder is not None and not message.is_error_frame and not message.is_remote_frame:
            self._responder.receive(message.arbitration_id, message.is_extended_id, bytes(message.data), moment)
