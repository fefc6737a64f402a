"""One question on the diagnostic port, from its request to the last word of its answer.

A `Question` goes in and its request frame comes out by `send`; frames received go in and `Answer`s come out, put
together from their segments (ISO 15765-2). No clock is read here: every call is told the time, in seconds of any clock
that never goes back, so that ten hours can be tried in a minute.

What it promises, whatever is received: one request is open at a time; flow control goes out once for each sender, only
for an answer to that request; a unit that says "wait" (code 78 of ISO 14229-1) has five seconds more, three times; one
that says "busy" (code 21) is asked again, three times with growing pauses; and no question lasts longer than LONGEST.
"""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass

from livewatch.profile.diagnostic_port.addresses import FUNCTIONAL, request_for
from livewatch.profile.diagnostic_port.answers import BUSY, NEGATIVE, POSITIVE, WAIT
from livewatch.profile.diagnostic_port.transport import Reception

__all__ = ["ANSWER_WITHIN", "Answer", "Exchange", "Question"]

ANSWER_WITHIN = 0.150
"""Seconds: P2 of ISO 15765-4 (50 ms) and the time frames lie in adapters and wait for a turn."""
WAIT_LONGER = 5.0
"""Seconds, P2* of ISO 14229-2."""
MOST_WAITS = 3
"""Answers "wait" to one request that are heeded. (ISO 14229-2 sets no bound; ours.)"""
BUSY_PAUSES = (0.1, 0.3, 1.0)
"""Seconds before a unit that said "busy, repeat the request" is asked again."""
LONGEST = 20.0
"""Seconds that one question may take in all, whatever a unit sends."""
FLOW_CONTROL = bytes((0x30, 0, 0, 0, 0, 0, 0, 0))
"""Send all that is left, without pauses (ISO 15765-2)."""
PADDING = 0x55

_SIZE_OF = {0x01: 1, 0x02: 2, 0x09: 1, 0x22: 2}
"""Bytes of each thing asked for by a request of the service; the others ask for nothing in particular. (In service 02
the second is the number of the frame.)"""


@dataclass(frozen=True, slots=True)
class Question:
    """What to ask whom.

    Attributes:
        request: the identifier to ask with.
        body: service and what is asked for, 1 to 7 bytes.
        everybody: whether all units are asked, so that the answers of all are waited for.
    """

    request: int
    body: bytes
    everybody: bool = False

    @property
    def asked(self) -> tuple[int, ...]:
        """The parameters, identifiers or kinds asked for; empty for a service that asks for nothing in particular."""
        size = _SIZE_OF.get(self.body[0], 0)
        if not size:
            return ()
        pieces = [self.body[at : at + size] for at in range(1, len(self.body), size)]
        return tuple(piece[0] if self.body[0] == 0x02 else int.from_bytes(piece, "big") for piece in pieces)

    def is_answered_by(self, beginning: bytes) -> bool:
        """Whether an answer that begins with these bytes (three at least, where it is that long) is one to it."""
        if not beginning or beginning[0] != self.body[0] + POSITIVE:
            return False
        if self.body[0] == 0x19:
            return beginning[1:2] == self.body[1:2]
        size = 2 if self.body[0] == 0x22 else 1
        asked = self.asked
        return not asked or (len(beginning) > size and int.from_bytes(beginning[1 : 1 + size], "big") in asked)


@dataclass(frozen=True, slots=True)
class Answer:
    """A unit's last word on a question: its `data`, or the `refusal`, a code of ISO 14229-1, with no data."""

    sender: int
    data: bytes
    refusal: int | None = None


class Exchange:
    """Asks one question after the other.

    Args:
        extended: whether identifiers have 29 bits.
        send: puts a frame (identifier, data) on the bus; whether the adapter took it.
        answers: identifiers of answers that are not the standard's.
    """

    def __init__(self, extended: bool, send: Callable[[int, bytes], bool], answers: Collection[int] = ()) -> None:
        self.question: Question | None = None
        """The open question; None when the next may be asked."""
        self.sent: tuple[int, bytes] = (0, b"")
        self._extended = extended
        self._send = send
        self._answers = frozenset(answers)
        self._receptions: dict[int, Reception] = {}
        self._let_go_on: set[int] = set()
        self._until = self._latest = 0.0
        self._again: float | None = None
        self._waits = self._busy = 0

    def ask(self, question: Question, now: float) -> bool:
        """Send a request; whether the adapter took it. There must be no open question."""
        self.question = question
        self._waits = self._busy = 0
        self._latest = now + LONGEST
        self._receptions.clear()
        return self._request(now)

    def hear(self, sender: int, data: bytes, now: float) -> Answer | None:
        """Take a frame received; an answer, when it completes one to the open question."""
        question = self.question
        target = request_for(sender, self._extended)
        if question is None or not data or (target is None and sender not in self._answers):
            return None
        if target not in (None, question.request) and question.request != FUNCTIONAL[self._extended]:
            return None
        if data[0] >> 4 == 1 and sender not in self._let_go_on and question.is_answered_by(data[2:]):
            self._let_go_on.add(sender)
            self._until = max(self._until, now + ANSWER_WITHIN)
            self._send(question.request if target is None else target, FLOW_CONTROL)
        reception = self._receptions.setdefault(sender, Reception())
        answer, _ = reception.receive(round(now * 1e9), data)
        if data[0] >> 4 == 2 and reception.unfinished and sender in self._let_go_on:
            self._until = max(self._until, now + ANSWER_WITHIN)
        return None if answer is None else self._heard(question, sender, answer, now)

    def _heard(self, question: Question, sender: int, answer: bytes, now: float) -> Answer | None:
        service = question.body[0]
        if answer[0] == NEGATIVE and len(answer) >= 3 and answer[1] == service:
            if answer[2] == WAIT:
                self._waits += 1
                self._until = now + WAIT_LONGER if self._waits <= MOST_WAITS else now
                return None
            if answer[2] == BUSY and not question.everybody and self._busy < len(BUSY_PAUSES):
                self._again = now + BUSY_PAUSES[self._busy]
                self._until = self._again + ANSWER_WITHIN
                self._busy += 1
                return None
            return self._closed(question, Answer(sender, b"", answer[2]))
        if not question.is_answered_by(answer):
            return None
        return self._closed(question, Answer(sender, answer))

    def _closed(self, question: Question, answer: Answer) -> Answer:
        if not question.everybody:
            self.question = None
        return answer

    def over(self, now: float) -> Question | None:
        """The question whose time is over, closed by that; None otherwise. Repeats it where a unit was busy."""
        if self.question is None:
            return None
        if self._again is not None and now >= self._again:
            self._request(now)
        if now < min(self._until, self._latest):
            return None
        question, self.question = self.question, None
        return question

    @property
    def due(self) -> float:
        """When `over` has to be asked next; infinite without an open question."""
        if self.question is None:
            return float("inf")
        return min(self._until, self._latest, self._latest if self._again is None else self._again)

    def _request(self, now: float) -> bool:
        assert self.question is not None
        self._again = None
        self._let_go_on.clear()
        self._until = now + ANSWER_WITHIN
        body = self.question.body
        frame = (bytes((len(body),)) + body).ljust(8, bytes((PADDING,)))
        self.sent = (self.question.request, frame)
        return self._send(self.question.request, frame)
