"""First contact with a car: how fast its bus is, what it broadcasts, who answers.

A `LiveBus` comes in, what was found comes out; the order is that of a careful person: listen first, ask last. Nothing
is sent by `find_bit_rate` and `listen`; `who_answers` sends the requests of `discovery` alone, which only read.
"""

from __future__ import annotations

import queue
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

from livewatch.data.frames import ERROR, FrameBatch
from livewatch.data.python_can import can
from livewatch.errors import LivewatchError
from livewatch.profile.diagnostic_port.addresses import FUNCTIONAL
from livewatch.profile.diagnostic_port.j1979 import J1979_CHANNELS
from livewatch.profile.starting_from_port import EngineFacts, profile_from_port
from livewatch.sources.live.open import takes_bit_rate
from livewatch.sources.live.source import LiveBus, LiveSource
from livewatch.sources.live.survey import Broadcast, survey
from livewatch.sources.polling.discovery import Unit, discover
from livewatch.sources.polling.exchange import Answer, Exchange
from livewatch.sources.polling.port import TRIES

__all__ = [
    "BIT_RATES",
    "EngineFacts",
    "Heard",
    "Unit",
    "channels_of",
    "find_bit_rate",
    "listen",
    "profile_from_port",
    "takes_bit_rate",
    "who_answers",
]

BIT_RATES = (500_000, 250_000, 1_000_000, 125_000, 100_000, 83_333, 50_000, 33_333)
"""bit/s: those of cars and cells, the usual first (common practice)."""
DATA_RATES = (2_000_000, 5_000_000)
"""bit/s of the data phase of CAN FD, tried with 500 kbit/s."""
ENOUGH = 3
"""Good frames that make a bit rate the right one: a wrong one brings errors, or nothing."""


@dataclass(frozen=True, slots=True)
class Heard:
    """What was heard in so many `seconds`: frames, errors (error frames, messages that made no sense), broadcasts."""

    seconds: float
    frames: int
    errors: int
    broadcasts: tuple[Broadcast, ...]

    @property
    def right(self) -> bool:
        """Whether the bus was understood."""
        return self.frames >= ENOUGH and self.frames > 4 * self.errors


def listen(bus: LiveBus, seconds: float) -> Heard:
    """Listen without sending anything, not even an acknowledgement where the adapter can keep silent.

    Raises:
        SourceError: the adapter cannot be opened.
    """
    batches: list[FrameBatch] = []
    with LiveSource([bus]) as source:
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            time.sleep(0.02)
            batches.append(source.collect())
        unreadable = sum(status.unreadable + status.losses for status in source.status())
    batches.append(source.collect())
    batch = FrameBatch.concatenate(batches)
    errors = int(((batch.flags & ERROR) != 0).sum())
    return Heard(seconds, len(batch) - errors, errors + unreadable, tuple(survey(batch)))


def find_bit_rate(bus: LiveBus, seconds: float = 0.7) -> Iterator[tuple[LiveBus, Heard | None]]:
    """Try the usual bit rates by listening; gives each one tried with what was heard (None where the adapter does not
    take that rate) and ends with the right one. CAN FD is tried where the interface has it."""
    for rate in BIT_RATES:
        tried = replace(bus, bitrate=rate)
        heard = _listened(tried, seconds)
        yield tried, heard
        if heard is not None and heard.right:
            return
    if takes_bit_rate(bus, fd=True):
        for rate in DATA_RATES:
            tried = replace(bus, bitrate=BIT_RATES[0], options={**bus.options, "fd": True, "data_bitrate": rate})
            heard = _listened(tried, seconds)
            yield tried, heard
            if heard is not None and heard.right:
                return


def _listened(bus: LiveBus, seconds: float) -> Heard | None:
    try:
        return listen(bus, seconds)
    except LivewatchError:
        return None


def who_answers(bus: LiveBus, extended: bool, tell: Callable[[str], None] | None = None) -> list[Unit]:
    """Ask every control unit which parameters it has; those that answered. To be called after the caution.

    Raises:
        SourceError: the adapter cannot be opened.
    """
    heard: queue.SimpleQueue[can.Message] = queue.SimpleQueue()
    with LiveSource([bus], transmit=True) as source:

        def send(identifier: int, data: bytes) -> bool:
            try:
                source.send(bus.name, identifier, data, extended)
            except LivewatchError as refused:
                if tell is not None:
                    tell(str(refused))
                return False
            return True

        source.overhear(lambda name, message: heard.put(message))
        exchange = Exchange(extended, send)
        script = discover(FUNCTIONAL[extended], extended)
        answers: list[Answer] | None = None
        while True:
            try:
                question = next(script) if answers is None else script.send(answers)
            except StopIteration as end:
                units: list[Unit] = end.value
                return units
            for _ in range(TRIES):
                exchange.ask(question, time.monotonic())
                answers = _answers(exchange, heard, extended)
                source.collect()
                if answers:
                    break


def channels_of(unit: Unit) -> list[str]:
    """Names of the channels that the standard parameters of a unit bring, in the order of the parameters."""
    supported = unit.supported or frozenset()
    brought = sorted((parameter, name) for (parameter, _), name in J1979_CHANNELS.items() if parameter in supported)
    return list(dict.fromkeys(name for _, name in brought))


def _answers(exchange: Exchange, heard: queue.SimpleQueue[can.Message], extended: bool) -> list[Answer]:
    """The answers to the open question."""
    found: dict[int, Answer] = {}
    while exchange.question is not None:
        now = time.monotonic()
        if exchange.over(now) is not None:
            break
        try:
            message = heard.get(timeout=max(0.001, min(exchange.due - now, 0.05)))
        except queue.Empty:
            continue
        if message.is_extended_id == extended and not message.is_error_frame and not message.is_remote_frame:
            answer = exchange.hear(message.arbitration_id, bytes(message.data), time.monotonic())
            if answer is not None:
                found[answer.sender] = answer
    return list(found.values())
