"""Polling a car on its diagnostic port: a control unit played by can-isotp (the reference for ISO 15765-2) answers."""

from __future__ import annotations

import math
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import can
import isotp
import pytest

from livewatch.data.frames import SENT, FrameBatch
from livewatch.errors import LivewatchError
from livewatch.profile import load_profile_text
from livewatch.profile.model import Profile
from livewatch.run.history import History
from livewatch.run.live import LiveRun
from livewatch.run.opening import open_source
from livewatch.run.run import Run
from livewatch.session.folder import Session
from livewatch.session.recorder import Recorder
from livewatch.sources.live.source import parse_live_buses
from livewatch.sources.polling.exchange import MOST_WAITS, Exchange, Question
from tests.waiting import until

PROFILE = """
profile: 1
name: polled test engine
buses: {port: []}
diagnostics:
  bus: port
  request: 0x7DF
  read:
    - did: 0xF41C
      name: long_answer
      length: 12
      signals:
        KNOCK: {start: 95, length: 8, order: big_endian, scale: 0.25, unit: deg}
poll:
  - {service: 0x01, pid: 0x0C, every: 50 ms}
  - {service: 0x01, pid: 0x06, every: 100 ms}
  - {service: 0x01, pid: 0x5C, every: 100 ms}
  - {service: 0x22, did: 0xF41C, every: 200 ms}
channels:
  knock_retard: {parameter: {service: 0x22, did: 0xF41C, signal: KNOCK}}
signature_alarms: off
"""
# SAE J1979 worked values of service 01: 0C 1A F8 is 1726 rpm, 06 80 is 0 %.
VALUES = {0x0C: bytes((0x1A, 0xF8)), 0x06: bytes((0x80,))}
LONG = bytes(11) + bytes((10,))


@pytest.fixture(scope="module")
def profile() -> Profile:
    return load_profile_text(PROFILE, "polled.yaml", None)


@contextmanager
def control_unit(channel: str, answers_several: bool = True, pending: bool = False) -> Iterator[Counter[bytes]]:
    """A control unit at 7E0/7E8 that also listens to 7DF. Counts the requests it got. It does not list what it has
    (parameter 00), as the standard asks of it: what is wanted is then found out by asking."""
    asked: Counter[bytes] = Counter()
    done = threading.Event()

    def answer(request: bytes) -> bytes | None:
        if request[0] == 0x01:
            known = [pid for pid in request[1:] if pid in VALUES]
            if not known or (len(request) > 2 and not answers_several):
                return None
            return b"\x41" + b"".join(bytes((pid,)) + VALUES[pid] for pid in known)
        return b"\x62\xf4\x1c" + LONG if request == b"\x22\xf4\x1c" else bytes((0x7F, request[0], 0x31))

    def serve() -> None:
        with can.Bus(interface="virtual", channel=channel) as bus:
            physical = isotp.Address(isotp.AddressingMode.Normal_11bits, rxid=0x7E0, txid=0x7E8)
            stack = isotp.CanStack(bus, address=physical, params={"blocking_send": False, "stmin": 0})
            listener = can.Bus(interface="virtual", channel=channel, can_filters=[{"can_id": 0x7DF, "can_mask": 0x7FF}])
            while not done.is_set():
                message = listener.recv(0.002)
                stack.process()
                request = stack.recv()
                if request is None and message is not None and message.arbitration_id == 0x7DF:
                    request = bytes(message.data[1 : 1 + message.data[0]])
                if request is None:
                    continue
                asked[bytes(request)] += 1
                if pending and request != b"\x01\x00":
                    stack.send(bytes((0x7F, request[0], 0x78)))
                    while stack.transmitting():
                        stack.process()
                    time.sleep(0.25)  # longer than an answer may take
                reply = answer(bytes(request))
                if reply is not None:
                    stack.send(reply)
            listener.shutdown()

    thread = threading.Thread(target=serve)
    thread.start()
    time.sleep(0.1)
    try:
        yield asked
    finally:
        done.set()
        thread.join()


def watch(profile: Profile, channel: str, enough: Callable[[Run], bool], recorder: Recorder | None = None) -> Run:
    """Watched until `enough` has come."""
    run = Run(profile, recorder, history=History(profile))
    live = LiveRun(run, parse_live_buses([f"port=virtual:{channel}"]), transmit=True)
    live.start()
    try:
        until(lambda: enough(run))
    finally:
        live.stop()
    assert live.failure is None
    return run


def last(run: Run, channel: str) -> float:
    latest = run.history.latest if run.history is not None else None
    return math.nan if latest is None else float(latest.held[run.profile.index[channel], -1])


def times(asked: Counter[bytes], parameter: int) -> int:
    """Requests of service 01 that a parameter was in."""
    return sum(number for request, number in tuple(asked.items()) if request[0] == 0x01 and parameter in request[1:])


def test_polled_values_arrive_as_channels_single_and_multi_frame(profile: Profile) -> None:
    with control_unit("poll-values") as asked:
        run = watch(
            profile, "poll-values", lambda run: times(asked, 0x0C) >= 10 and not math.isnan(last(run, "knock_retard"))
        )
    assert last(run, "engine_speed") == 1726.0
    assert last(run, "short_term_fuel_trim_1") == 0.0
    assert last(run, "knock_retard") == 2.5, "needs our flow control, the answer is of three frames"


def test_a_parameter_that_is_never_answered_is_asked_for_more_rarely_and_counted(profile: Profile) -> None:
    began = time.monotonic()
    with control_unit("poll-silence") as asked:
        run = watch(
            profile,
            "poll-silence",
            lambda run: run.pipeline.counts.get("polls without an answer", 0) >= 3 and times(asked, 0x0C) >= 40,
        )
    most = 3 + (time.monotonic() - began) / 10
    assert asked[b"\x01\x5c"] <= most, "three tries, then once in ten seconds"
    assert last(run, "engine_speed") == 1726.0


def test_a_unit_that_answers_one_parameter_at_a_time_is_asked_so(profile: Profile) -> None:
    with control_unit("poll-single", answers_several=False) as asked:
        run = watch(
            profile, "poll-single", lambda run: asked[b"\x01\x0c"] >= 5 and not math.isnan(last(run, "engine_speed"))
        )
    assert last(run, "engine_speed") == 1726.0


def test_a_unit_that_says_wait_is_waited_for(profile: Profile) -> None:
    with control_unit("poll-wait", pending=True):
        run = watch(profile, "poll-wait", lambda run: not math.isnan(last(run, "engine_speed")))
    assert last(run, "engine_speed") == 1726.0


def test_requests_are_recorded_as_sent_and_nothing_but_reading_goes_out(profile: Profile, tmp_path: Path) -> None:
    folder = Session.create(tmp_path, profile, ["poll"])
    with control_unit("poll-recorded"):
        watch(profile, "poll-recorded", lambda run: not math.isnan(last(run, "knock_retard")), Recorder(folder))
    sent = [
        batch.data[row, : batch.length[row]].tobytes()
        for batch in open_source(folder.path, profile).batches()
        if isinstance(batch, FrameBatch)
        for row in range(len(batch))
        if batch.flags[row] & SENT
    ]
    assert sent
    assert {(data[0] >> 4, data[1] if data[0] >> 4 == 0 else None) for data in sent} == {(0, 1), (0, 0x22), (3, None)}


def test_declared_ranges_are_asked_for_when_a_polled_parameter_depends_on_them(tmp_path: Path) -> None:
    text = PROFILE.replace("pid: 0x06, every: 100 ms", "pid: 0x0B, every: 100 ms")
    with control_unit("poll-ranges") as asked:
        watch(
            load_profile_text(text, "ranges.yaml", None),
            "poll-ranges",
            lambda _: times(asked, 0x4F) >= 1 and times(asked, 0x0C) >= 25,
        )
    assert times(asked, 0x4F) <= 4, "this unit does not answer it: tried, then given up for good"


def test_another_testers_transfer_is_left_alone_and_waiting_has_an_end() -> None:
    sent: list[bytes] = []
    exchange = Exchange(False, lambda identifier, data: not sent.append(data))  # type: ignore[func-returns-value]
    first = bytes.fromhex("100F62F41C000000")
    exchange.hear(0x7E8, first, 0.0)
    assert not sent, "no request of ours is open"
    exchange.ask(Question(0x7E0, b"\x01\x0c"), 0.0)
    assert sent.pop()[1] == 0x01
    exchange.hear(0x7E8, first, 0.01)
    assert not sent, "service 01 is open, not 22"
    for at in range(MOST_WAITS):
        exchange.hear(0x7E8, bytes.fromhex("037F017800000000"), float(at))
        assert exchange.over(at + 4.9) is None, "it is waited for"
    exchange.hear(0x7E8, bytes.fromhex("037F017800000000"), 3.0)
    assert exchange.over(3.0) is not None, "and no longer"


def test_a_request_identifier_that_is_never_sent_is_a_mistake_in_the_profile() -> None:
    with pytest.raises(LivewatchError, match="0x123 is no identifier to ask with on a diagnostic port"):
        load_profile_text(PROFILE.replace("request: 0x7DF", "request: 0x123"), "polled.yaml", None)
