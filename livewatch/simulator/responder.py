"""The diagnostic port of the simulated car: frames of a tester in, frames of the control units out.

In: frames with their time. Out: answer frames with the moment each is due. It can be well-behaved, slow, ask for
patience (response pending), refuse, or fall silent, as `Manners` say. No bus and no clock in here; `player` puts it
on a bus, `tester` talks to it in virtual time. 11-bit addressing: 7DF and 7E0, answers from 7E8; 29-bit: 18DB33F1
and 18DA10F1, answers from 18DAF110 (ISO 15765-4).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from livewatch.profile.diagnostic_port.addresses import FUNCTIONAL, request_for
from livewatch.simulator.drive import STEP, Drive
from livewatch.simulator.engine_answers import EngineAnswers, refusal
from livewatch.simulator.segmented_link import SegmentedLink

__all__ = ["DriveValues", "Manners", "Responder", "ResponderFrame"]

WRONG_LENGTH, BUSY, PENDING = 0x13, 0x21, 0x78
"""Negative response codes: wrong length or format; busy, repeat the request; response pending (ISO 14229-1)."""
ANSWER = {False: 0x7E8, True: 0x18DAF110}
"""What the engine computer answers with, by whether identifiers have 29 bits."""
PENDING_EVERY = 2.0
"""s between response-pending messages while the tester has to wait (P2* is 5 s)."""


@dataclass(frozen=True, slots=True)
class Manners:
    """How the control unit behaves.

    Attributes:
        answers_after: s from a request to its answer.
        slow: s by service, in place of `answers_after`.
        pending: s by service for which the unit says "response pending" before it answers.
        refuses: reason (ISO 14229-1 code) by service, in place of an answer.
        silent: spells (from, to) in s in which it answers nothing.
        takes: parameters that it takes in one request; one with more is refused.
        busy: how often it says "busy, repeat the request" before it answers a request.
    """

    answers_after: float = 0.004
    slow: Mapping[int, float] = field(default_factory=dict)
    pending: Mapping[int, float] = field(default_factory=dict)
    refuses: Mapping[int, int] = field(default_factory=dict)
    silent: tuple[tuple[float, float], ...] = ()
    takes: int = 6
    busy: int = 0


@dataclass(frozen=True, slots=True)
class ResponderFrame:
    """One frame to be sent at `time` s."""

    time: float
    identifier: int
    extended: bool
    data: bytes


class DriveValues:
    """The values of a finished drive. `time` counts from its start; before and after, its ends hold."""

    def __init__(self, drive: Drive) -> None:
        self._drive = drive

    def value(self, channel: str, time: float) -> float:
        column = self._drive.channels.get(channel)
        if column is None:
            return float("nan")
        return float(column[min(len(column) - 1, max(0, int(time / STEP)))])

    def confirmed(self, time: float) -> list[str]:
        return [code for code, moment in self._drive.confirmed.items() if moment <= time]

    def pending(self, time: float) -> list[str]:
        return [code for code, moment in self._drive.pending.items() if moment <= time]


class Responder:
    """One engine computer on the diagnostic port.

    Args:
        answers: what it knows.
        extended: 29-bit identifiers.
        manners: how it behaves.
        identifier: what it answers with, where it is not the engine computer.
    """

    def __init__(
        self,
        answers: EngineAnswers,
        extended: bool = False,
        manners: Manners | None = None,
        identifier: int | None = None,
    ) -> None:
        self._answers = answers
        self._identifier = ANSWER[extended] if identifier is None else identifier
        self._said_busy = 0
        self._extended = extended
        self._manners = manners or Manners()
        self._link = SegmentedLink()
        self._later: list[tuple[float, bytes]] = []

    def receive(self, identifier: int, extended: bool, data: bytes, time: float) -> None:
        """Take a frame seen on the bus at `time` s; frames for others are ignored."""
        mine = (FUNCTIONAL[self._extended], request_for(self._identifier, self._extended))
        if extended != self._extended or identifier not in mine:
            return
        functional = identifier == FUNCTIONAL[extended]
        if functional and data[:1] and data[0] >> 4:
            # To all units only single frames are allowed (ISO 15765-2).
            return
        request = self._link.receive(data, time)
        if request is not None:
            self._schedule(request, time, functional)

    def frames_until(self, time: float) -> list[ResponderFrame]:
        """The frames due up to `time` s, in order."""
        while self._later and self._later[0][0] <= time:
            moment, message = self._later.pop(0)
            self._link.send(message, moment)
        ready = [frame for frame in self._link.due if frame[0] <= time]
        self._link.due = [frame for frame in self._link.due if frame[0] > time]
        return [ResponderFrame(moment, self._identifier, self._extended, data) for moment, data in sorted(ready)]

    def next_due(self) -> float | None:
        """When the next frame is due, s; None when nothing is under way."""
        moments = [moment for moment, _ in self._later[:1]] + [moment for moment, _ in self._link.due]
        return min(moments, default=None)

    def _schedule(self, request: bytes, time: float, functional: bool) -> None:
        manners, service = self._manners, request[0]
        # A new request while an answer is prepared: the unit answers the new one only.
        self._later.clear()
        if any(start <= time < stop for start, stop in manners.silent):
            return
        moment = time + manners.slow.get(service, manners.answers_after)
        if service in manners.refuses:
            if not functional:
                self._later.append((moment, refusal(service, manners.refuses[service])))
            return
        answer = self._answers.answer(request, time, functional)
        if answer is None:
            return
        if service in (0x01, 0x22) and len(request) - 1 > manners.takes * (1 if service == 0x01 else 2):
            self._later.append((moment, refusal(service, WRONG_LENGTH)))
            return
        if self._said_busy < manners.busy and not functional:
            self._said_busy += 1
            self._later.append((moment, refusal(service, BUSY)))
            return
        self._said_busy = 0
        wait = manners.pending.get(service, 0.0)
        said = 0.0
        while said < wait:
            self._later.append((moment + said, refusal(service, PENDING)))
            said += PENDING_EVERY
        self._later.append((moment + wait, answer))
