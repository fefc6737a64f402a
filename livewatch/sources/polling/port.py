"""One diagnostic port, polled: the control units on it, what is asked of each, and what came of it.

Frames received go in by `hear`, time by `step`; requests go out by the sender. First the units are found and what each
supports; then each is asked about itself; then the profile's polls are asked for, those that the car has, each of the
unit that has it, in requests as long as that unit takes. Every unit has one open request at a time. No clock is read:
times are seconds of any clock that never goes back.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Generator, Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

from livewatch.errors import LivewatchError
from livewatch.profile.diagnostic_port.addresses import request_identifiers
from livewatch.profile.diagnostic_port.answers import parameters_of, read_answer
from livewatch.profile.model import Diagnostics, PollRequest
from livewatch.sources.polling.discovery import Unit, discover
from livewatch.sources.polling.exchange import Answer, Exchange, Question
from livewatch.sources.polling.pedal import PedalWatch
from livewatch.sources.polling.schedule import GIVE_UP_AFTER, Schedule, Wanted
from livewatch.sources.polling.self_report import ask_about_itself

__all__ = ["PolledPort", "Sender"]

AT_ONCE = {False: 6, True: 3}
"""Parameters in one request at the most, by whether the unit is of SAE J1979-2 (three identifiers fill a frame)."""
RANGES = (0x4F, 0x50)
"""Parameters by which an engine computer declares other full-scale values (SAE J1979); asked for at the start, so that
the decoder reads the others right."""
RESCALED = frozenset({0x0B, 0x10, 0x44, *range(0x24, 0x2C), *range(0x34, 0x3C)})
HOUR = 3_600_000_000_000
PAUSES = (0.25, 0.5, 1.0, 2.0, 5.0)
"""Seconds between requests to a unit that does not answer any more, and between attempts to find one; the last is
repeated."""
GONE_AFTER = 6
"""Requests in a row without an answer, after which a unit counts as gone for now (ignition off, a cable)."""
TRIES = 3
"""Times a question of a script is asked before it counts as not answered."""
WIDEN_AFTER, WIDEN_AT_MOST = 60.0, 3600.0
"""Seconds after which longer requests are tried again, twice as many each time in vain: frames may have been lost."""
OTHER_TESTER_FOR = 10.0
"""Seconds without another tester's request, after which the next one is told as another spell of it."""

UNANSWERED = "polls without an answer"
REFUSED = "polls refused"
NOT_TAKEN = "requests the adapter did not take"
NOBODY = "times nobody answered on the diagnostic port"
OTHER_TESTER = "times another tester was heard on the diagnostic port"


class Sender(Protocol):
    """The transmitting side of a live source."""

    def send(self, bus: str, identifier: int, data: bytes, extended: bool = False) -> None:
        """Put one diagnostic request on `bus`."""


@dataclass(slots=True)
class _Asked:
    """A unit that is polled.

    Attributes:
        most: parameters it takes in one request, as far as is known; `trying`: how many are put into one now; `proven`:
            how many it took, 0 before it took several.
        open: those of the open request.
        silent: requests in a row without an answer.
        wait_until: when it may be asked again.
        widen_at, widen_after: when longer requests are tried again, and how long after the last attempt.
    """

    unit: Unit
    schedule: Schedule
    exchange: Exchange
    most: int
    trying: int
    proven: int = 0
    open: Sequence[Wanted] = ()
    silent: int = 0
    wait_until: float = float("-inf")
    widen_at: float = float("inf")
    widen_after: float = WIDEN_AFTER


class PolledPort:
    """Args:
    port: what is asked there.
    sender: where requests go.

    Attributes:
        counts: what went wrong so far, by plain-worded kind.
        units: the control units found.
        absent: polls of the profile that no unit found supports.
    """

    def __init__(self, port: Diagnostics, sender: Sender) -> None:
        self.port = port
        self.counts: dict[str, int] = {}
        self.units: list[Unit] = []
        self.absent: list[PollRequest] = []
        self._sender = sender
        self._parameters = parameters_of(port)
        self._pedal = PedalWatch()
        self._asked: list[_Asked] = []
        self._sent: deque[tuple[int, bytes]] = deque(maxlen=16)
        self._other_tester = float("-inf")
        self._attempts = 0
        self._find_at = float("-inf")
        self._script: Generator[Question, Sequence[Answer], Any] | None = None
        self._then: Callable[[Any, float], None] = self._found
        self._asking = self._new_exchange()
        self._heard: dict[int, Answer] = {}
        self._last = Question(port.request, b"\x01\x00")
        self._tries = 0
        self._waiting: list[Unit] = []
        """Units still to be asked about themselves."""
        self.finishing = False
        """Whether the units are asked about themselves once more, and then nothing."""

    @property
    def done(self) -> bool:
        """Whether, after `finish`, nothing is left to be asked."""
        return self.finishing and self._script is None and not self._waiting

    def answered(self) -> dict[tuple[int, int], int]:
        """How often each poll was answered, by service and identifier."""
        return {one.key: one.answered for asked in self._asked for one in asked.schedule.wanted if not one.extra}

    def finish(self, now: float) -> None:
        """Ask the units that still answer about themselves a last time, and then nothing more."""
        self.finishing = True
        self._waiting = [asked.unit for asked in self._asked if asked.silent < GONE_AFTER and asked.unit in self.units]
        self.step(now)

    def hear(self, identifier: int, data: bytes, now: float) -> None:
        """Take one frame received on the port's bus."""
        if identifier in request_identifiers(self.port.extended):
            self._notice_tester(identifier, data, now)
            return
        if self._script is not None:
            answer = self._asking.hear(identifier, data, now)
            if answer is not None:
                self._heard[answer.sender] = answer
                if self._asking.question is None:
                    self._go_on(now)
        for asked in self._asked:
            answer = asked.exchange.hear(identifier, data, now)
            if answer is not None:
                self._take(asked, answer, now)

    def step(self, now: float) -> None:
        """Send what is due, and close what has had its time."""
        if self._asking.over(now) is not None:
            self._go_on(now)
        for asked in self._asked:
            if asked.exchange.over(now) is not None:
                self._missed(asked, now)
        if self._script is None:
            self._begin_script(now)
        if self._script is None and not self.finishing:
            for asked in self._asked:
                self._ask_next(asked, now)

    @property
    def due(self) -> float:
        """When `step` is wanted next, s."""
        moments = [self._asking.due, *(asked.exchange.due for asked in self._asked)]
        idle = [asked for asked in self._asked if asked.exchange.question is None]
        if self._script is None and not self.finishing:
            moments += [max(asked.schedule.due, asked.wait_until) for asked in idle]
            if not self.units and len(idle) == len(self._asked):
                moments.append(self._find_at)
        return min(moments)

    def _begin_script(self, now: float) -> None:
        """The next script, when one is wanted and nothing is open."""
        if any(asked.exchange.question is not None for asked in self._asked):
            return
        if self._waiting:
            self._run(ask_about_itself(self._waiting.pop(0)), lambda found, then: None, now)
        elif not self.finishing and not self.units and now >= self._find_at:
            self._run(discover(self.port.request, self.port.extended, self.port.answers), self._found, now)

    def _run(
        self, script: Generator[Question, Sequence[Answer], Any], then: Callable[[Any, float], None], now: float
    ) -> None:
        self._script, self._then = script, then
        self._put(next(script), now)

    def _put(self, question: Question, now: float) -> None:
        self._heard = {}
        self._tries = 1
        self._last = question
        self._asking.ask(question, now)

    def _go_on(self, now: float) -> None:
        """A question of the script has had its answers, or its time."""
        assert self._script is not None
        if not self._heard and self._tries < TRIES:
            self._tries += 1
            self._asking.ask(self._last, now)
            return
        try:
            question = self._script.send(list(self._heard.values()))
        except StopIteration as end:
            self._script = None
            self._then(end.value, now)
            return
        self._put(question, now)

    def _found(self, units: list[Unit], now: float) -> None:
        """The units that answered; where none did, the profile's list is tried as it stands."""
        if not units:
            self._find_at = now + PAUSES[min(self._attempts, len(PAUSES) - 1)]
            self._attempts += 1
            self._count(NOBODY)
            if self._asked:
                if any(one.answered for one in self._asked[0].schedule.wanted):
                    self._find_at = float("inf")  # it answers, but says not what it supports
                return
            self._asked = [self._new(Unit(self.port.request), self.port.poll)]
            return
        self.units = units
        self._waiting = list(units)
        shares: dict[int, list[PollRequest]] = {place: [] for place in range(len(units))}
        for request in self.port.poll:
            having = [place for place, unit in enumerate(units) if _has(unit, request)]
            if having:
                shares[having[0]].append(request)
            else:
                self.absent.append(request)
        self._asked = [self._new(unit, shares[place]) for place, unit in enumerate(units)]

    def _new(self, unit: Unit, requests: Sequence[PollRequest]) -> _Asked:
        wanted = [Wanted(request) for request in requests]
        asked = {one.key for one in wanted}
        if any(service == 1 and identifier in RESCALED for service, identifier in asked):
            ranges = [PollRequest(1, identifier, HOUR) for identifier in RANGES if (1, identifier) not in asked]
            wanted[:0] = [Wanted(one, extra=True) for one in ranges if _has(unit, one)]
        most = AT_ONCE[unit.modern]
        return _Asked(unit, Schedule(wanted), self._new_exchange(), most, most)

    def _new_exchange(self) -> Exchange:
        return Exchange(self.port.extended, self._send, self.port.answers)

    def _ask_next(self, asked: _Asked, now: float) -> None:
        if asked.exchange.question is not None or now < asked.wait_until:
            return
        asked.schedule.full_pedal = self._pedal.down
        if now >= asked.widen_at:
            asked.trying = AT_ONCE[asked.unit.modern]
            asked.widen_at = float("inf")
        together = asked.schedule.next(now, asked.trying)
        if not together:
            return
        asked.open = together
        asked.schedule.asked(together, now)
        first = together[0].request
        if first.service == 0x01:
            body = asked.unit.body([one.request.identifier for one in together])
        else:
            body = bytes((first.service,)) + first.identifier.to_bytes(2, "big")
        if not asked.exchange.ask(Question(asked.unit.request, body), now):
            asked.exchange.question = None
            self._missed(asked, now)

    def _take(self, asked: _Asked, answer: Answer, now: float) -> None:
        """An answer to the open poll of a unit."""
        together, asked.open = asked.open, ()
        gone, asked.silent = asked.silent >= GONE_AFTER, 0
        asked.wait_until = now
        if not self.units and (gone or not any(one.answered for one in asked.schedule.wanted)):
            self._find_at = now
        if answer.refusal is not None:
            self._refused(asked, together, now)
            return
        if gone and asked.proven > asked.trying:
            # It was gone, not unable: what it took at once before, it takes now.
            asked.trying = asked.most = asked.proven
        elif len(together) > 1 or asked.trying == 1:
            asked.proven = asked.trying
            self._takes(asked, asked.trying, now)
        found = {}
        for reading in read_answer(answer.data, self._parameters)[0]:
            found[reading.service, reading.identifier] = reading.data
            if reading.service == 0x01:
                self._pedal.observe(reading.identifier, reading.data)
        for one in together:
            if one.key in found:
                asked.schedule.answered(one)
                if one.alone and one.request.service == 0x01:
                    # It has the parameter, and left it out of an answer to several.
                    one.alone = False
                    self._takes(asked, max(1, asked.most - 1), now)
            elif len(together) > 1:
                one.alone, one.last = True, float("-inf")
            else:
                self._unanswered(asked, one, now)

    def _takes(self, asked: _Asked, most: int, now: float) -> None:
        """A unit takes so many at once; more are tried again in a while."""
        if most < asked.most:
            asked.widen_at = now + asked.widen_after
            asked.widen_after = min(2 * asked.widen_after, WIDEN_AT_MOST)
        elif most < AT_ONCE[asked.unit.modern] and asked.widen_at == float("inf"):
            asked.widen_at = now + asked.widen_after
        asked.most = asked.trying = most

    def _refused(self, asked: _Asked, together: Sequence[Wanted], now: float) -> None:
        if len(together) > 1:
            self._try_fewer(asked, together)
            return
        self._count(REFUSED)
        together[0].missed = GIVE_UP_AFTER
        self._unanswered(asked, together[0], now)

    def _missed(self, asked: _Asked, now: float) -> None:
        """A request had no answer."""
        together, asked.open = asked.open, ()
        asked.silent += 1
        if asked.silent >= GONE_AFTER:
            asked.wait_until = now + PAUSES[min(asked.silent - GONE_AFTER, len(PAUSES) - 1)]
            self._count(UNANSWERED)
        elif len(together) > 1:
            # Once the same again, for a frame may have been lost; then fewer.
            self._try_fewer(asked, together, 1 if asked.silent == 1 else 2)
        else:
            self._count(UNANSWERED)
            for one in together:
                self._unanswered(asked, one, now)

    def _try_fewer(self, asked: _Asked, together: Iterable[Wanted], divisor: int = 2) -> None:
        asked.trying = max(1, asked.trying // divisor)
        for one in together:
            one.last = float("-inf")

    def _unanswered(self, asked: _Asked, one: Wanted, now: float) -> None:
        """Asked for alone in vain. An identifier of service 22 may be another unit's."""
        asked.schedule.missed(one, now)
        place = self._asked.index(asked) + 1
        if one.request.service == 0x22 and one.missed >= GIVE_UP_AFTER and place < len(self._asked):
            asked.schedule.wanted.remove(one)
            self._asked[place].schedule.wanted.append(Wanted(one.request, last=one.last))

    def _notice_tester(self, identifier: int, data: bytes, now: float) -> None:
        if (identifier, data) in self._sent:
            return  # an adapter that gives back what it sends
        if now - self._other_tester > OTHER_TESTER_FOR:
            self._count(OTHER_TESTER)
        self._other_tester = now

    def _send(self, identifier: int, data: bytes) -> bool:
        self._sent.append((identifier, data))
        try:
            self._sender.send(self.port.bus, identifier, data, self.port.extended)
        except LivewatchError:
            # A bus that is lost for a moment refuses; the watching goes on and the request counts as unanswered.
            self._count(NOT_TAKEN)
            return False
        return True

    def _count(self, kind: str) -> None:
        self.counts[kind] = self.counts.get(kind, 0) + 1


def _has(unit: Unit, request: PollRequest) -> bool:
    """Whether a unit may have what is asked for; identifiers of service 22 are found out by asking."""
    if request.service != 0x01:
        return True
    return unit.supported is None or request.identifier in unit.supported
