"""Segmentation against can-isotp both ways, and a car that does everything it must not.

ISO 15765-2 is done by livewatch's own code (`profile/diagnostic_port/transport.py`, `sources/polling/exchange.py`):
can-isotp is made for one pair of identifiers, on a bus and a clock of its own. Here many senders, testers of others
among them, are put together from recordings at the speed of the disk, with data time for a clock. These tests hold that
both understand each other.
"""

from __future__ import annotations

from random import Random

import isotp
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from livewatch.errors import MistakesError
from livewatch.profile import load_profile_text
from livewatch.profile.diagnostic_port.transport import LONGEST, Reception
from livewatch.simulator.responder import ResponderFrame
from livewatch.sources.polling import exchange as exchange_module
from livewatch.sources.polling.exchange import Exchange, Question

from .conversing import VirtualPort, diagnostics_of
from .test_polled_port import STANDARD, car, profile_of, size_of

ADDRESS = isotp.Address(isotp.AddressingMode.Normal_11bits, txid=0x7E8, rxid=0x7E0)


class Reference:
    """can-isotp as a control unit, without threads: `frames` are what it put on the bus."""

    def __init__(self, **parameters: object) -> None:
        self.frames: list[bytes] = []
        self.waiting: list[isotp.CanMessage] = []
        self.layer = isotp.TransportLayerLogic(
            rxfn=lambda timeout: self.waiting.pop(0) if self.waiting else None,
            txfn=lambda message: self.frames.append(bytes(message.data)),
            address=ADDRESS,
            params={"stmin": 0, "blocksize": 0, "blocking_send": False, **parameters},
        )

    def hear(self, identifier: int, data: bytes) -> bool:
        self.waiting.append(isotp.CanMessage(arbitration_id=identifier, data=data, dlc=len(data)))
        return True

    def go_on(self) -> None:
        for _ in range(4):
            self.layer.process()

    def answers(self, body: bytes) -> None:
        self.layer.send(body)
        self.go_on()


def heard(exchange: Exchange, reference: Reference) -> bytes | None:
    """The answer that the exchange makes of what the reference sends, flow control included."""
    answer, now = None, 0.0
    while reference.frames:
        now += 0.001
        found = exchange.hear(0x7E8, reference.frames.pop(0), now)
        answer = found.data if found is not None else answer
        reference.go_on()
    return answer


@given(body=st.binary(max_size=300), padded=st.booleans())
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_what_can_isotp_sends_comes_out_whole(body: bytes, padded: bool) -> None:
    reference = Reference(**({"tx_padding": 0xCC} if padded else {}))
    exchange = Exchange(False, reference.hear)
    exchange.ask(Question(0x7E0, b"\x03"), 0.0)
    reference.waiting.clear()
    reference.answers(b"\x43" + body)
    assert heard(exchange, reference) == b"\x43" + body
    assert exchange.question is None


@given(body=st.binary(min_size=1, max_size=7))
@settings(max_examples=40, deadline=None)
def test_what_the_exchange_asks_can_isotp_understands(body: bytes) -> None:
    reference = Reference()
    Exchange(False, reference.hear).ask(Question(0x7E0, body), 0.0)
    reference.go_on()
    assert reference.layer.recv() == body


@given(
    body=st.binary(min_size=8, max_size=200),
    harm=st.lists(st.tuples(st.sampled_from(["lose", "twice", "swap", "flip"]), st.integers(0, 40)), max_size=3),
)
@settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_where_can_isotp_gives_an_answer_up_so_do_we(body: bytes, harm: list[tuple[str, int]]) -> None:
    """The same damaged frames to both receivers: never an answer that the reference does not have.

    The reference gives an answer up at what is no frame; we pass it over, as ISO 15765-2 says (from memory): the
    reference is spared it.
    """
    sender = Reference(tx_padding=0)
    sender.hear(0x7E0, bytes.fromhex("3000000000000000"))
    sender.layer.send(body)
    frames: list[bytes] = []
    for _ in range(3):
        sender.go_on()
        sender.hear(0x7E0, bytes.fromhex("3000000000000000"))
    frames = list(sender.frames)
    for kind, at in harm:
        place = at % max(1, len(frames))
        if not frames:
            break
        if kind == "lose":
            del frames[place]
        elif kind == "twice":
            frames.insert(place, frames[place])
        elif kind == "swap":
            frames[place - 1], frames[place] = frames[place], frames[place - 1]
        else:
            frames[place] = bytes((frames[place][0] ^ 1 << at % 8, *frames[place][1:]))
    receiver = isotp.TransportLayerLogic(
        rxfn=lambda timeout: waiting.pop(0) if waiting else None,
        txfn=lambda message: None,
        address=isotp.Address(isotp.AddressingMode.Normal_11bits, txid=0x7E0, rxid=0x7E8),
        params={"blocking_send": False, "max_frame_size": LONGEST},
    )
    waiting: list[isotp.CanMessage] = []
    theirs, ours, reception = [], [], Reception()
    for number, frame in enumerate(frames):
        if _is_one(frame):
            waiting.append(isotp.CanMessage(arbitration_id=0x7E8, data=frame, dlc=8))
            receiver.process()
        while (found := receiver.recv()) is not None:
            theirs.append(bytes(found))
        answer, _ = reception.receive(number * 1_000_000, frame)
        ours += [answer] if answer is not None else []
    assert ours == theirs


def _is_one(frame: bytes) -> bool:
    """Whether eight bytes are a single frame, a first frame or a consecutive frame."""
    kind, low = frame[0] >> 4, frame[0] & 15
    return 0 < low < 8 if kind == 0 else low << 8 | frame[1] > 7 if kind == 1 else kind == 2


class Hostile:
    """A control unit whose frames come without being asked for, as fast as the bus takes them."""

    def __init__(self, kind: str) -> None:
        self.kind = kind
        self._chance = Random(16)
        self._next = 0.05
        self._number = 0

    def receive(self, identifier: int, extended: bool, data: bytes, time: float) -> None: ...

    def next_due(self) -> float | None:
        return self._next

    def frames_until(self, time: float) -> list[ResponderFrame]:
        if time < self._next:
            return []
        self._next = time + 0.002
        self._number += 1
        number = self._number
        data = {
            "endless first frames": bytes((0x1F, 0xFF, 0x41, 0x00, 1, 2, 3, 4)),
            "wrong sequence": bytes((0x10, 0x14, 0x41, 0x00, 1, 2, 3, 4)) if number % 3 else bytes((0x2A, *range(7))),
            "flow control": bytes((0x30 | number % 3, 0, 0x7F, 0, 0, 0, 0, 0)),
            "answers never asked for": bytes((0x06, 0x41, 0x0C, 0x1A, 0xF8, 0x0D, 0x32, 0x00)),
            "4 GB": bytes((0x10, 0x00, 0xFF, 0xFF, 0xFF, 0xFF, 0x41, 0x00)) if number % 2 else bytes((0x21, *range(7))),
            "wait for ever": bytes((0x03, 0x7F, 0x01, 0x78, 0, 0, 0, 0)),
            "busy for ever": bytes((0x03, 0x7F, 0x01, 0x21, 0, 0, 0, 0)),
            "random": self._chance.randbytes(8),
        }[self.kind]
        identifier = 0x7E8 if self.kind in ("wait for ever", "busy for ever") else 0x7E8 + number % 8
        return [ResponderFrame(time, identifier, False, data)]


KINDS = ["endless first frames", "wrong sequence", "flow control", "answers never asked for", "4 GB", "wait for ever",
         "busy for ever", "random"]  # fmt: skip


@pytest.mark.parametrize("kind", KINDS)
def test_a_hostile_car_neither_stalls_nor_fills_nor_floods(kind: str) -> None:
    """With a well-behaved unit beside it, which goes on being polled wherever the hostile one does not use its name."""
    hostile = Hostile(kind)
    good = car(identifier=0x7E9)
    talk = VirtualPort(diagnostics_of(profile_of("200 ms", pids=STANDARD[:4])), [good, hostile])
    talk.keep = False
    talk.run(3.0)
    held, before = size_of(talk.port), dict(talk.port.answered())
    talk.run(6.0)
    assert size_of(talk.port) - held < 10_000, "memory: 1500 frames came meanwhile"
    if kind not in ("wait for ever", "busy for ever", "random", "endless first frames"):
        gained = [number - before.get(key, 0) for key, number in talk.port.answered().items()]
        assert gained and min(gained) > 9, (kind, gained)


REQUESTS = (0x7DF, 0x7E0, 0x7E7, 0x18DB33F1, 0x18DA10F1)
POLLS = st.lists(
    st.tuples(
        st.one_of(st.sampled_from([0x01, 0x22]), st.integers(0, 255)),
        st.one_of(st.integers(0, 0xFF), st.integers(0, 0x1FFFF)),
        st.sampled_from([20, 100, 1000]),
    ),
    min_size=1,
    max_size=8,
)


class Babbling:
    """A unit that answers every request with what is drawn, begun as an answer to it or not."""

    def __init__(self, answers: list[bytes], answer: int) -> None:
        self._answers, self._answer = answers, answer
        self._due: list[tuple[float, bytes]] = []
        self._number = 0

    def receive(self, identifier: int, extended: bool, data: bytes, time: float) -> None:
        drawn = self._answers[self._number % len(self._answers)]
        self._number += 1
        body = drawn if self._number % 3 == 0 else bytes((data[1] + 0x40 & 0xFF,)) + data[2:4] + drawn
        frame = body[:8] if self._number % 4 == 0 else bytes((min(len(body), 7),)) + body[:7]
        self._due.append((time + 0.01, frame))

    def next_due(self) -> float | None:
        return self._due[0][0] if self._due else None

    def frames_until(self, time: float) -> list[ResponderFrame]:
        now = [ResponderFrame(due, self._answer, False, data) for due, data in self._due if due <= time]
        self._due = self._due[len(now) :]
        return now


@given(
    polls=POLLS,
    request=st.one_of(st.sampled_from(REQUESTS), st.integers(0, 1 << 29)),
    wild=st.booleans(),
    listed=st.sets(st.integers(0, 0xFFFF), max_size=2),
    answers=st.lists(st.binary(min_size=1, max_size=8), min_size=1, max_size=6),
)
@settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_for_any_profile_and_any_answer_nothing_but_reading_requests_are_sent(
    polls: list[tuple[int, int, int]], request: int, listed: set[int], answers: list[bytes], wild: bool
) -> None:
    """A profile that wants more is refused; of one that is taken, every frame that its polling tries to send is one
    that reads (`VirtualPort.send` asserts it), whatever the car answers, to the last question at the end of the run."""
    if not wild:
        own = sorted(listed)
        request = REQUESTS[request % len(REQUESTS)]
        polls = [
            (0x22, own[what % len(own)], every) if own and service == 0x22 else (0x01, STANDARD[what % 16], every)
            for service, what, every in polls
        ]
    reads = "".join(
        f"    - {{did: 0x{did:04X}, name: own_{did}, length: 1, "
        f"signals: {{OWN: {{start: 7, length: 8, order: big_endian, unit: '%'}}}}}}\n"
        for did in sorted(listed)
    )
    lines = "".join(
        f"  - {{service: 0x{service:02X}, {'did' if service == 0x22 else 'pid'}: 0x{what:02X}, every: {every} ms}}\n"
        for service, what, every in polls
    )
    text = f"profile: 1\nname: any\nsignature_alarms: off\ndiagnostics:\n  bus: port\n  request: 0x{request:X}\n" + (
        f"  read:\n{reads}" if reads else ""
    )
    try:
        profile = load_profile_text(f"{text}poll:\n{lines}", "any.yaml", None)
    except MistakesError:
        assert wild or len({(service, what) for service, what, _ in polls}) < len(polls), "asked for twice"
        return
    port = diagnostics_of(profile)
    assert all(poll.service in (0x01, 0x22) for poll in port.poll)
    talk = VirtualPort(port, [Babbling(answers, 0x18DAF110 if port.extended else 0x7E8)]).run(4.0)
    talk.port.finish(talk.now)
    talk.run(6.0)
    assert talk.sent


def test_a_transfer_that_never_ends_is_given_up_and_flow_control_goes_out_once() -> None:
    sent: list[bytes] = []
    exchange = Exchange(False, lambda identifier, data: not sent.append(data))  # type: ignore[func-returns-value]
    exchange.ask(Question(0x7E0, b"\x03"), 0.0)
    now = 0.01
    exchange.hear(0x7E8, bytes((0x1F, 0xFF, 0x43, 0, 0, 0, 0, 0)), now)
    number = 1
    while exchange.over(now) is None:
        now += 0.14
        assert now < exchange_module.LONGEST + 1.0
        if number % 5:
            exchange.hear(0x7E8, bytes((0x20 | number % 16, *range(7))), now)
        else:
            exchange.hear(0x7E8, bytes((0x1F, 0xFF, 0x43, 0, 0, 0, 0, 0)), now)
            number = 0
        number += 1
    assert len(sent) == 2, "the request, and one flow control"
