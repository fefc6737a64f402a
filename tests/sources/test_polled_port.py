"""A diagnostic port polled in virtual time: the simulator's engine computers answer, well-behaved and otherwise."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from itertools import pairwise
from random import Random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from livewatch.data.clock import Clock
from livewatch.data.events import FaultCodesRead, FreezeFrameRead, IdentityRead, ReadinessRead
from livewatch.data.frames import EXTENDED, SENT, FrameBatch
from livewatch.data.messages import columns_of
from livewatch.decode.self_knowledge import SelfKnowledgeListener
from livewatch.profile import load_profile_text
from livewatch.profile.diagnostic_port.fault_codes import code_words
from livewatch.profile.diagnostic_port.j1979 import J1979
from livewatch.profile.diagnostic_port.self_knowledge import Codes, Frozen, self_knowledge
from livewatch.profile.model import Profile
from livewatch.run.run import Run
from livewatch.simulator.engine_answers import EngineAnswers
from livewatch.simulator.responder import Manners, Responder
from livewatch.sources.polling.port import OTHER_TESTER, REFUSED, PolledPort

from .conversing import FRAME_TIME, VirtualPort, diagnostics_of

STANDARD = (0x0C, 0x0B, 0x10, 0x24, 0x44, 0x06, 0x07, 0x11, 0x0E, 0x04, 0x03, 0x0D, 0x05, 0x0F, 0x33, 0x42)


def profile_of(
    every: str = "100 ms", request: str = "0x7DF", pids: Sequence[int] = STANDARD, more: str = ""
) -> Profile:
    polls = "\n".join(f"  - {{service: 0x01, pid: 0x{pid:02X}, every: {every}}}" for pid in pids)
    return load_profile_text(
        f"profile: 1\nname: polled\ntick: 100 ms\nsignature_alarms: off\n"
        f"diagnostics:\n  bus: port\n  request: {request}\n  read:\n"
        "    - did: 0x1234\n      name: own\n      length: 2\n"
        "      signals: {OWN: {start: 7, length: 16, order: big_endian, unit: '%'}}\n"
        f"poll:\n{polls}\n{more}",
        "polled.yaml",
        None,
    )


class Still:
    """A car whose values do not move; `there` are the channels it has."""

    def __init__(self, there: dict[str, float] | None = None, codes: Sequence[str] = ()) -> None:
        self.there = there
        self.codes = list(codes)

    def value(self, channel: str, time: float) -> float:
        if self.there is not None:
            return self.there.get(channel, float("nan"))
        return 4.0 if channel == "fuel_system_status" else 1.0

    def confirmed(self, time: float) -> list[str]:
        return self.codes

    def pending(self, time: float) -> list[str]:
        return self.codes


def car(
    manners: Manners | None = None,
    extended: bool = False,
    modern: bool = False,
    values: Still | None = None,
    identifier: int | None = None,
    profile: Profile | None = None,
) -> Responder:
    answers = EngineAnswers(
        values or Still(),
        () if profile is None else profile.diagnostics[0].parameters,
        () if profile is None else profile.channels,
        modern,
    )
    return Responder(answers, extended, manners, identifier)


def conversation(profile: Profile, *units: Responder, lose: Callable[[int, bytes], bool] | None = None) -> VirtualPort:
    return VirtualPort(diagnostics_of(profile), units, lose or (lambda identifier, data: False))


@pytest.mark.parametrize(("request_id", "extended"), [("0x7DF", False), ("0x18DB33F1", True), ("0x7E0", False)])
def test_every_wanted_parameter_comes_as_often_as_wanted_where_the_car_can(request_id: str, extended: bool) -> None:
    talk = conversation(profile_of("200 ms", request_id), car(extended=extended))
    talk.run(2.0)
    before = talk.port.answered()
    talk.run(12.0)
    rates = {key: (number - before[key]) / 10.0 for key, number in talk.port.answered().items()}
    assert set(rates) == {(1, pid) for pid in STANDARD}
    assert min(rates.values()) >= 0.9 * 5.0, rates


def most_at_once(talk, since: float, service: int = 1, identifier_bytes: int = 1) -> int:
    """Parameters in the largest request since then."""
    return max((len(body) - 1) // identifier_bytes for body in talk.requests(since) if body[0] == service)


@pytest.mark.parametrize("takes", [6, 3, 2, 1])
def test_what_a_request_may_hold_is_found_by_trying_and_no_answer_time_is_wasted(takes: int) -> None:
    """The unit answers a request 20 ms after it. All it allows is one exchange after another: what is achieved comes
    within 10 % of that."""
    delay = 0.020
    talk = conversation(profile_of("10 ms"), car(Manners(answers_after=delay, takes=takes)))
    talk.run(3.0)
    before = talk.port.answered()
    talk.run(13.0)
    found = {6: 6, 3: 3, 2: 1, 1: 1}[takes]
    assert most_at_once(talk, 3.0) == found
    total = sum(number - before[key] for key, number in talk.port.answered().items()) / 10.0
    # request, answer; for an answer of several frames: first frame, flow control, the rest 0.4 ms apart each
    longest = delay + 2 * FRAME_TIME + (2 * FRAME_TIME + 4 * 0.0005 if found > 1 else 0.0)
    assert total >= 0.9 * found / longest


def test_the_list_is_cut_to_what_the_car_has_and_says_so() -> None:
    there = {"engine_speed": 800.0, "engine_load": 20.0, "coolant_temperature": 90.0}
    talk = conversation(profile_of(), car(values=Still(there))).run(3.0)
    asked = Counter(pid for body in talk.requests(1.0) if body[0] == 1 for pid in body[1:])
    assert 0x24 not in asked and 0x0C in asked
    assert {request.identifier for request in talk.port.absent} >= {0x24, 0x44, 0x10}
    assert not talk.port.counts


def test_a_car_of_j1979_2_alone_is_asked_by_service_22() -> None:
    talk = conversation(profile_of(), car(modern=True)).run(3.0)
    (unit,) = talk.port.units
    assert unit.modern
    assert set(talk.port.answered()) == {(1, pid) for pid in STANDARD}
    assert all(number >= 10 for number in talk.port.answered().values())
    assert most_at_once(talk, 1.0, 0x22, 2) == 3


def test_two_computers_are_each_asked_for_what_they_have() -> None:
    engine = car(values=Still({"engine_speed": 800.0}))
    gearbox = car(values=Still({"engine_speed": 801.0, "vehicle_speed": 50.0}), identifier=0x7E9)
    talk = conversation(profile_of(), engine, gearbox).run(3.0)
    assert [unit.name for unit in talk.port.units] == ["7E8", "7E9"]
    asked = {(identifier, pid) for _, identifier, data in talk.sent if data[:2] != b"\x30" and data[1] == 1
             for pid in data[2 : 1 + data[0]] if pid in (0x0C, 0x0D)}  # fmt: skip
    assert asked == {(0x7E0, 0x0C), (0x7E1, 0x0D)}


def test_an_identifier_of_the_profile_is_looked_for_in_every_computer() -> None:
    profile = profile_of(
        pids=(0x0C,),
        more="  - {service: 0x22, did: 0x1234, every: 100 ms}\n"
        "channels: {own: {parameter: {service: 0x22, did: 0x1234, signal: OWN}, unit: '%'}}\n",
    )
    talk = conversation(profile, car(), car(identifier=0x7E9, profile=profile)).run(4.0)
    assert talk.port.answered()[0x22, 0x1234] >= 10


def test_waiting_and_busy_units_are_waited_for() -> None:
    for manners in (Manners(pending={0x01: 1.0}), Manners(busy=2)):
        talk = conversation(profile_of("1 s", pids=(0x0C, 0x06)), car(manners)).run(30.0)
        assert all(number >= 8 for number in talk.port.answered().values()), manners
        assert not talk.port.counts


def test_a_refused_parameter_is_asked_for_rarely_and_the_rest_goes_on() -> None:
    profile = profile_of(pids=(0x0C, 0x06), more="  - {service: 0x22, did: 0x1234, every: 100 ms}\n")
    talk = conversation(profile, car()).run(21.0)
    assert talk.port.counts == {REFUSED: 3}
    assert min(talk.port.answered()[1, pid] for pid in (0x0C, 0x06)) >= 190


def test_a_car_switched_off_is_waited_for_and_found_again_at_once() -> None:
    talk = conversation(profile_of(), car(Manners(silent=((0.0, 20.0), (30.0, 60.0)))))
    talk.run(20.0)
    tries = len(talk.sent)
    assert tries < 60, "it is asked less and less"
    talk.run(30.0)
    first = talk.port.answered()
    assert set(first) == {(1, pid) for pid in STANDARD} and min(first.values()) >= 40
    talk.run(60.0)
    talk.run(70.0)
    assert min(number - first[key] for key, number in talk.port.answered().items()) >= 40
    assert most_at_once(talk, 62.0) == 6, "it was gone, not unable"


def test_lost_frames_lose_a_value_and_nothing_else() -> None:
    chance = Random(16)
    talk = conversation(profile_of("200 ms"), car(), lose=lambda identifier, data: chance.random() < 0.01).run(60.0)
    assert len(talk.port.answered()) == len(STANDARD)
    assert min(talk.port.answered().values()) >= 0.8 * 5 * 60


def test_at_full_pedal_what_a_pull_is_judged_by_comes_first() -> None:
    class Driver(Still):
        def value(self, channel: str, time: float) -> float:
            if channel in ("accelerator_pedal_position", "throttle_position"):
                return 100.0 if 10.0 <= time < 20.0 else 12.0
            return super().value(channel, time)

    talk = conversation(profile_of("100 ms"), car(Manners(answers_after=0.080), values=Driver())).run(22.0)

    def share(first: float, last: float) -> dict[int, int]:
        found: Counter[int] = Counter()
        for moment, _, data in talk.sent:
            if first <= moment < last and data[0] >> 4 == 0 and data[1] == 1:
                found.update(data[2 : 1 + data[0]])
        return found

    calm, pull = share(4.0, 10.0), share(11.0, 19.0)
    # 16 parameters wanted ten times a second, 12 requests of six: about 4.5 each, give or take how they fill requests.
    assert all(3.5 < calm[pid] / 6 < 6.5 for pid in STANDARD)
    assert all(pull[pid] / 8 > 7.0 for pid in (0x24, 0x44, 0x0B, 0x0C))
    assert pull[0x42] / 8 < 0.6 * calm[0x42] / 6
    assert share(20.5, 22.0)[0x42], "and everything again when the foot comes up"


def test_another_tester_is_noticed_once_a_spell_and_an_echo_is_none() -> None:
    talk = conversation(profile_of(), car()).run(2.0)
    for _, identifier, data in talk.sent[-3:]:
        talk.port.hear(identifier, data, talk.now)
    assert OTHER_TESTER not in talk.port.counts
    for at in range(30):
        talk.port.hear(0x7E0, bytes.fromhex("0209020000000000"), 2.0 + at / 10)
    assert talk.port.counts[OTHER_TESTER] == 1
    talk.port.hear(0x7DF, bytes.fromhex("0109000000000000"), 30.0)
    assert talk.port.counts[OTHER_TESTER] == 2


def test_codes_of_j1979_2_are_read_with_their_type_of_failure_and_the_point_at_which_each_was_set() -> None:
    """Answers as ISO 14229-1:2020, 12.3 lays them out, by hand: P0171-1C confirmed, P0234 pending only, both confirmed
    and pending P0299; freeze frames of two of them, 800 rpm (0C80) at 25 % (40) and 4500 rpm (4650) at 100 % (FF)."""
    listener = SelfKnowledgeListener()
    answers = (
        "594233FFFF04" "0201711C08" "0202340004" "020299000C",
        "595533FF04" "01711C08",
        "590401711C08" "0002" "F40C0C80" "F40440",
        "59040299000C" "0002" "F40C4650" "F404FF",
        "590402990008",
        "62F40100000000",
    )  # fmt: skip
    for row, answer in enumerate(answers):
        assert listener.hears(row, row * 1_000_000, ("port", 0x7E8, False), bytes.fromhex(answer)) == (row < 5)
    told = [event for _, event in listener.take()]
    codes = {event.what: event.codes for event in told if isinstance(event, FaultCodesRead)}
    assert codes == {"stored": ("P0171-1C", "P0299"), "pending": ("P0234", "P0299"), "permanent": ("P0171-1C",)}
    frames = {
        event.code: {one.name: one.value for one in event.values}
        for event in told
        if isinstance(event, FreezeFrameRead)
    }
    assert frames["P0171-1C"] == {"engine_speed": 800.0, "engine_load": pytest.approx(25.1, abs=0.1)}
    assert frames["P0299"] == {"engine_speed": 4500.0, "engine_load": 100.0}
    assert code_words("P0171-1C") == "P0171-1C (system too lean, bank 1)"


@given(st.binary(max_size=40))
@settings(max_examples=200, deadline=None)
def test_no_answer_of_service_19_says_what_is_not_in_it(body: bytes) -> None:
    for fact in self_knowledge(b"\x59" + body):
        if isinstance(fact, Codes):
            assert len(fact.codes) <= len(body) // 4
        else:
            assert isinstance(fact, Frozen) and len(body) >= 7


def batch_of(talk: VirtualPort) -> FrameBatch:
    """All frames of a conversation, as a recording holds them."""
    import can

    rows = sorted([(*row, True) for row in talk.sent] + [(*row, False) for row in talk.received], key=lambda r: r[0])
    messages = [
        can.Message(timestamp=1.6e9 + moment, arbitration_id=identifier, data=data, is_rx=not ours,
                    is_extended_id=talk.diagnostics.extended)
        for moment, identifier, data, ours in rows
    ]  # fmt: skip
    batch = columns_of(messages, 0, ("port",))
    assert bool((batch.flags & EXTENDED).all()) == talk.diagnostics.extended
    assert (batch.flags & SENT).any()
    return batch


@pytest.mark.parametrize("modern", [False, True])
def test_what_the_car_knows_of_itself_stands_in_the_event_log_at_start_and_end(modern: bool) -> None:
    profile = profile_of("500 ms")
    values = Still(codes=["P0171", "P0299"])
    talk = conversation(profile, car(modern=modern, values=values)).run(10.0)
    talk.run(80.0)
    values.codes = []
    talk.port.finish(talk.now)
    talk.run(83.0)
    assert talk.port.done
    batch = batch_of(talk)
    told = []
    for size in (len(batch), 7):
        run = Run(profile)
        events = [event for at in range(0, len(batch), size) for event in run.push(batch[at : at + size])]
        told.append([*events, *run.close()])
        assert "diagnostic answers of services that are not decoded" not in run.pipeline.counts
    assert told[0] == told[1], "any cutting"
    half = int(np.searchsorted(batch.time - batch.time[0], 60_000_000_000))
    found = []
    for size in (half, 7):
        run = Run(profile)
        for at in range(0, half, size):
            run.push(batch[at : min(at + size, half)])
        found.append(run.signature.finding().verdict.codes)
    assert found[0] == found[1] and [one.code for one in found[0]] == ["P0171", "P0299"], "and it is in the verdict"
    assert found[0][0].kinds == ("stored", "pending", "permanent") and found[0][0].where
    said = [
        event for event in told[0] if isinstance(event, FaultCodesRead | FreezeFrameRead | IdentityRead | ReadinessRead)
    ]
    assert {event.subject for event in said} == {"7E8"}
    identity = {event.what: event.texts for event in said if isinstance(event, IdentityRead) and event.time < 5e9}
    assert identity["calibration"] == ("LIVEWATCH-SIM-01",) and identity["calibration verification"] == ("5EED0001",)
    assert len(identity["vehicle"][0]) == 12, "a mark, no number"
    assert "00LWTEST" not in repr(said)
    services = {body[0] for body in talk.requests()}
    assert services == ({0x01, 0x22, 0x19} if modern else {0x01, 0x02, 0x03, 0x07, 0x0A, 0x09})
    codes = [(event.what, event.codes) for event in said if isinstance(event, FaultCodesRead)]
    kinds = ("stored", "pending", "permanent")
    assert codes == [*((kind, ("P0171", "P0299")) for kind in kinds), *((kind, ()) for kind in kinds)]
    (frozen,) = [event for event in said if isinstance(event, FreezeFrameRead)]
    assert frozen.code == "P0171"
    assert {figure.name: (figure.value, figure.unit) for figure in frozen.values}["engine_speed"] == (1.0, "rpm")


def test_four_hours_of_polling_leave_nothing_behind() -> None:
    """Compressed: an exchange takes virtual time only. Everything the port holds is as large after four hours as after
    ten minutes, and the last hour is polled like the first. Over all four hours the data time of each answer stays
    within 1 ms of the time at which it was received."""
    talk = conversation(profile_of("10 s", pids=STANDARD[:3]), car())
    talk.run(600.0)
    end, clock, received, apart, tens = 14_400.0, Clock(), 0, 0.0, [dict(talk.port.answered())]
    size = size_of(talk.port)
    first = talk.received[0][0]
    while talk.now < end:
        stamps = np.array([round(1e9 * moment) for moment, _, _ in talk.received], np.int64)
        data_time, late, steps = clock.push(1_600_000_000_000_000_000 + stamps)
        assert not late.any() and not steps
        apart = max(apart, float(np.abs(data_time - (stamps - round(1e9 * first))).max()))
        received += len(stamps)
        talk.sent.clear()
        talk.received.clear()
        talk.run(min(end, talk.now + 600.0))
        tens.append(dict(talk.port.answered()))
    assert talk.now == end and received > 2 * 1360, "two frames every ten seconds"
    assert apart < 1_000_000, f"{apart / 1e6} ms over four hours"
    talk.sent.clear()
    talk.received.clear()
    assert size_of(talk.port) == size
    every = [{key: now[key] - before[key] for key in now} for before, now in pairwise(tens)]
    assert all(one == pytest.approx(tens[0], abs=2) for one in every), "each ten minutes like the first"
    assert not talk.port.counts


def size_of(thing: object, seen: set[int] | None = None) -> int:
    """Containers' entries and bytes reachable from an object."""
    seen = set() if seen is None else seen
    if id(thing) in seen or isinstance(thing, type | VirtualPort):
        return 0
    seen.add(id(thing))
    if isinstance(thing, bytes | bytearray | str):
        return len(thing)
    if isinstance(thing, dict):
        return len(thing) + sum(size_of(value, seen) for value in thing.values())
    if isinstance(thing, list | tuple | set | frozenset) or type(thing).__name__ == "deque":
        return len(thing) + sum(size_of(value, seen) for value in thing)  # type: ignore[attr-defined, arg-type]
    inner = getattr(thing, "__dict__", None) or {
        name: getattr(thing, name) for name in getattr(type(thing), "__slots__", ()) if hasattr(thing, name)
    }
    return sum(size_of(value, seen) for value in inner.values()) if isinstance(thing, PolledPort) or inner else 0


def test_the_parameters_of_this_test_are_standard_ones() -> None:
    assert set(STANDARD) <= set(J1979)
