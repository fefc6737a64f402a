"""A simulated drive on a real or virtual bus, in real time, and its diagnostic port answering there.

In: frame batches, an open python-can bus for each bus name, a responder. Out: frames sent when their time has come.
A bus that cannot take a frame loses it, which is counted; error frames belong to the bus and are not sent.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

import can

from livewatch.data.frames import ERROR, FrameBatch
from livewatch.simulator.responder import Responder

__all__ = ["Played", "play"]

LONGEST_WAIT = 0.05
"""s between looks at the clock and at requests."""
PIECE = 2_000
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
    played = Played()
    start = time.monotonic()
    told = -1.0

    def now() -> float:
        return (time.monotonic() - start) * speed

    def wait_until(moment: float) -> None:
        nonlocal told
        while True:
            current = now()
            if tell is not None and current - told > 0.2:
                told = current
                played.seconds = min(current, duration)
                tell(played)
            _answer(port, buses, played, current)
            left = moment - now()
            if left <= 0.0:
                return
            pause = min(left / speed, LONGEST_WAIT)
            due = port[1].next_due() if port is not None else None
            if due is not None:
                pause = min(pause, max(0.0, (due - now()) / speed))
            if port is None:
                time.sleep(pause)
            else:
                message = buses[port[0]].recv(pause)
                if message is not None:
                    _hear(port[1], message, now())

    for batch in batches:
        for first in range(0, len(batch), PIECE):
            piece = batch[first : first + PIECE]
            for place, message in enumerate(piece.to_messages()):
                moment = (int(piece.time[place]) - begins) / 1e9
                if moment > now() + 0.0005:
                    wait_until(moment)
                if piece.flags[place] & ERROR:
                    continue
                message.channel = None
                _send(buses[piece.buses[piece.bus[place]]], message, played)
    wait_until(duration)
    played.seconds = duration
    return played


def _hear(responder: Responder, message: can.Message, moment: float) -> None:
    if not message.is_error_frame and not message.is_remote_frame:
        responder.receive(message.arbitration_id, message.is_extended_id, bytes(message.data), moment)


def _answer(port: tuple[str, Responder] | None, buses: Buses, played: Played, moment: float) -> None:
    """Read what has come without waiting, and send what is due."""
    if port is None:
        return
    name, responder = port
    while (message := buses[name].recv(0.0)) is not None:
        _hear(responder, message, moment)
    for frame in responder.take(moment):
        answer = can.Message(arbitration_id=frame.identifier, is_extended_id=frame.extended, data=frame.data)
        _send(buses[name], answer, played)
        played.answered += 1


def _send(bus: can.BusABC, message: can.Message, played: Played) -> None:
    try:
        bus.send(message, timeout=0.02)
        played.sent += 1
    except can.CanError:
        played.lost += 1
