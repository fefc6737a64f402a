"""The simulated car's diagnostic port, asked by can-isotp and udsoncan over a virtual bus, decoded by obd."""

from __future__ import annotations

import threading
import uuid

import can
import isotp
import pytest
import udsoncan
from udsoncan.client import Client
from udsoncan.connections import PythonIsoTpConnection

from livewatch.profile import load_profile
from livewatch.profile.diagnostic_port.fault_codes import code_bytes
from livewatch.profile.diagnostic_port.j1979 import J1979, J1979_CHANNELS
from livewatch.profile.model import Parameter, Signal
from livewatch.profile.shipped import find_profile
from livewatch.simulator.bus_player import play
from livewatch.simulator.engine_answers import CALIBRATION_NUMBER, VEHICLE_NUMBER, EngineAnswers
from livewatch.simulator.responder import DriveValues, Manners, Responder
from livewatch.simulator.segmented_link import SegmentedLink

WHEN = 30.0


@pytest.fixture
def obd():
    """Late: only the test process that gets to it needs it."""
    import obd

    return obd


class Frozen(DriveValues):
    """The drive stopped at one moment, so that an answer can be compared with it."""

    def value(self, channel, time):
        return super().value(channel, WHEN)

    def confirmed(self, time):
        return ["P0171", "P0234"]

    def pending(self, time):
        return ["P0171", "P0234", "P0299"]


class Over(Exception):
    pass


@pytest.fixture
def port(drive):
    """Puts a car on a virtual bus and gives the tester's side of it."""
    running = []

    def begin(name="two_banks", extended=False, manners=None, start=True, **parameters):
        channel = str(uuid.uuid4())
        car, tester = (can.Bus(interface="virtual", channel=channel) for _ in range(2))
        known = load_profile(find_profile("linden_16"))
        answers = EngineAnswers(Frozen(drive(name)), known.diagnostics[0].parameters, known.channels)
        responder = Responder(answers, extended, manners)
        over = threading.Event()

        def until_over(played):
            if over.is_set():
                raise Over

        def run():
            with pytest.raises(Over):
                play(iter(()), {"bus": car}, 0, 1e9, ("bus", responder), until_over)

        thread = threading.Thread(target=run, daemon=True)
        thread.start()
        if extended:
            address = isotp.Address(isotp.AddressingMode.NormalFixed_29bits, target_address=0x10, source_address=0xF1)
        else:
            address = isotp.Address(isotp.AddressingMode.Normal_11bits, txid=0x7E0, rxid=0x7E8)
        stack = isotp.CanStack(
            tester, address=address, params={"tx_padding": 0x55, "blocking_send": False, **parameters}
        )
        if start:
            stack.start()
        running.append((over, thread, stack if start else None, car, tester))
        return stack, answers, tester

    yield begin
    for over, thread, stack, car, tester in running:
        over.set()
        if stack is not None:
            stack.stop()
        thread.join(30.0)
        car.shutdown()
        tester.shutdown()


def asked(stack, request, timeout=30.0):
    stack.send(bytes(request))
    return bytes(stack.recv(block=True, timeout=timeout) or b"")


@pytest.mark.parametrize("extended", [False, True])
def test_every_supported_parameter_reads_the_same_through_can_isotp_and_obd(port, drive, extended, obd):
    stack, answers, _ = port(extended=extended)
    values = Frozen(drive("two_banks"))
    compared = 0
    for pid in answers.supported:
        answer = asked(stack, [1, pid])
        assert answer[:2] == bytes((0x41, pid))
        assert len(answer) == 2 + J1979[pid].length
        commands = obd.commands.modes[1]
        command = commands[pid] if pid < len(commands) else None
        channel = next((c for (p, _), c in J1979_CHANNELS.items() if p == pid), None)
        if command is None or channel is None or pid in (0x03,):
            continue
        message = obd.protocols.protocol.Message([])
        message.data = bytearray(answer)
        read = command.decode([message])
        number = read.magnitude
        told = values.value(channel, 0.0)
        if pid in (0x24, 0x28, 0x34, 0x38):
            # obd reads the voltage or current beside lambda, which follows it; lambda itself by hand (SAE J1979).
            assert 2 * int.from_bytes(answer[2:4], "big") / 65536 == pytest.approx(told, abs=2 / 65536)
            continue
        step = max(abs(signal.scale) for signal in J1979[pid].signals)
        assert number == pytest.approx(told, abs=0.51 * step + 0.001 * abs(told)), command.name
        compared += 1
    assert compared >= 25


def test_supported_parameters_are_told_by_the_bitmaps_as_obd_reads_them(port, obd):
    stack, answers, _ = port()
    found = []
    for first in (0x00, 0x20, 0x40, 0x60):
        answer = asked(stack, [1, first])
        assert answer[:2] == bytes((0x41, first))
        bits = int.from_bytes(answer[2:6], "big")
        found += [first + n for n in range(1, 33) if bits >> (32 - n) & 1]
        if first < 0x60:
            message = obd.protocols.protocol.Message([])
            message.data = bytearray(answer)
            decoded = obd.commands.modes[1][first].decode([message])
            assert [first + n + 1 for n, bit in enumerate(decoded) if bit] == found[-sum(decoded) :]
    assert [pid for pid in found if pid % 0x20] == answers.supported
    assert 0x20 in found and 0x40 in found and 0x60 in found and 0x80 not in found


def test_up_to_six_parameters_come_in_one_answer(port):
    stack, _, _ = port()
    answer = asked(stack, [1, 0x0C, 0x05, 0x10, 0x24, 0x44, 0x0B])
    single = [asked(stack, [1, pid])[1:] for pid in (0x0C, 0x05, 0x10, 0x24, 0x44, 0x0B)]
    assert answer == b"\x41" + b"".join(single)
    assert asked(stack, [1, 0x0C, 0x02, 0x05]) == b"\x41" + single[0] + single[1]  # one it does not have is left out
    assert asked(stack, [1, *range(0x04, 0x0B)]) == bytes((0x7F, 0x01, 0x13))  # seven are too many


def test_an_aspirated_engine_supports_no_boost_and_no_second_bank(port):
    _, answers, _ = port("aspirated")
    assert not {0x08, 0x09, 0x28, 0x38, 0x70} & set(answers.supported)
    _, answers, _ = port("speed_density")
    assert not {0x10, 0x66} & set(answers.supported)


def test_fault_codes_read_as_obd_reads_them(port, obd):
    stack, _, _ = port()
    for service, codes in ((3, ["P0171", "P0234"]), (7, ["P0171", "P0234", "P0299"])):
        answer = asked(stack, [service])
        assert answer[:2] == bytes((service + 0x40, len(codes)))
        message = obd.protocols.protocol.Message([])
        message.data = bytearray(answer)
        decoded = obd.decoders.dtc([message])
        assert [code for code, _ in decoded] == codes
    status = asked(stack, [1, 0x01])
    assert status[2] == 0x80 | 2  # malfunction indicator on, two codes
    assert code_bytes("P0171") == b"\x01\x71" and code_bytes("U0100") == b"\xc1\x00"


def test_the_freeze_frame_is_the_moment_of_the_first_code(port):
    stack, _, _ = port()
    assert asked(stack, [2, 0x02, 0x00]) == bytes((0x42, 0x02, 0x00, 0x01, 0x71))
    assert asked(stack, [2, 0x0C, 0x00])[3:] == asked(stack, [1, 0x0C])[2:]
    assert asked(stack, [2, 0x0C, 0x01]) == bytes((0x7F, 0x02, 0x12))  # there is no second frame
    bitmap = asked(stack, [2, 0x00, 0x00])
    assert bitmap[:3] == bytes((0x42, 0, 0)) and bitmap[3] >> 6 & 1  # parameter 02 is there


def test_the_vehicle_tells_its_number_and_calibration(port):
    stack, _, _ = port()
    assert asked(stack, [9, 0x02]) == bytes((0x49, 0x02, 0x01)) + VEHICLE_NUMBER
    assert asked(stack, [9, 0x06]) == bytes((0x49, 0x06, 0x01)) + CALIBRATION_NUMBER
    bits = int.from_bytes(asked(stack, [9, 0x00])[2:6], "big")
    assert [n for n in range(1, 33) if bits >> (32 - n) & 1] == [0x02, 0x04, 0x06, 0x0A]
    assert len(VEHICLE_NUMBER) == 17 and VEHICLE_NUMBER.startswith(b"0")


def uds(stack, **config):
    return Client(
        PythonIsoTpConnection(stack),
        request_timeout=30.0,
        config={
            "data_identifiers": {0xF41C: udsoncan.DidCodec(">hBB"), 0xF190: udsoncan.DidCodec("B")},
            "p2_timeout": 10.0,
            "p2_star_timeout": 30.0,
            "use_server_timing": False,
            **config,
        },
    )


@pytest.mark.parametrize("extended", [False, True])
def test_a_uds_client_reads_listed_identifiers(port, drive, extended):
    stack, _, _ = port("aspirated", extended, start=False)
    values = Frozen(drive("aspirated"))
    with uds(stack) as client:
        read = client.read_data_by_identifier(0xF41C).service_data.values[0xF41C]
    assert read[0] * 0.01 == pytest.approx(values.value("idle_air_correction", 0), abs=0.006)
    assert read[1] * 0.25 == pytest.approx(values.value("knock_retard", 0), abs=0.13)


def test_an_unknown_identifier_and_every_service_that_does_more_than_read_is_refused(port):
    stack, _, _ = port("aspirated", start=False)
    with uds(stack) as client:
        with pytest.raises(udsoncan.NegativeResponseException) as refused:
            client.read_data_by_identifier(0xF190)
        assert refused.value.response.code == 0x31
        for request in (
            lambda: client.ecu_reset(1),
            lambda: client.change_session(3),
            lambda: client.clear_dtc(0xFFFFFF),
            lambda: client.tester_present(),
        ):
            with pytest.raises(udsoncan.NegativeResponseException) as refused:
                request()
            assert refused.value.response.code == 0x11
    stack, _, _ = port()
    assert asked(stack, [0x04]) == bytes((0x7F, 0x04, 0x11))  # clearing codes


def test_response_pending_makes_the_client_wait_for_the_answer(port):
    stack, _, _ = port("aspirated", manners=Manners(pending={0x22: 1.2}), start=False)
    with uds(stack, p2_timeout=1.0) as client:
        response = client.read_data_by_identifier(0xF41C)
    assert response.positive


def test_a_slow_answer_runs_a_client_out_of_patience(port):
    stack, _, _ = port("aspirated", manners=Manners(slow={0x22: 0.9}), start=False)
    with uds(stack, p2_timeout=0.5) as client, pytest.raises(udsoncan.TimeoutException):
        client.read_data_by_identifier(0xF41C)


def test_a_refusal_and_silence(port):
    stack, _, _ = port(manners=Manners(refuses={0x03: 0x22}))
    assert asked(stack, [0x03]) == bytes((0x7F, 0x03, 0x22))
    stack, _, _ = port(manners=Manners(silent=((0.0, 1e9),)))
    assert asked(stack, [1, 0x0C], timeout=0.3) == b""


@pytest.mark.parametrize(
    "parameters", [{"blocksize": 1}, {"blocksize": 2, "stmin": 4}, {"stmin": 0xF5}, {"blocksize": 0}]
)
def test_flow_control_is_obeyed(port, parameters):
    stack, _, _ = port(**parameters)
    for _ in range(3):
        answer = asked(stack, [9, 0x02])
        assert answer.endswith(VEHICLE_NUMBER)


def test_a_request_to_all_units_is_answered_but_never_refused(port):
    _, _, tester = port(start=False)
    for data in ((0x02, 0x01, 0x0C), (0x02, 0x01, 0x02), (0x01, 0x3E), (0x02, 0x01, 0x05)):
        tester.send(can.Message(arbitration_id=0x7DF, data=bytes(data).ljust(8, b"\0"), is_extended_id=False))
    heard = []
    while (message := tester.recv(0.4)) is not None:
        heard.append((message.arbitration_id, bytes(message.data)))
    assert [identifier for identifier, _ in heard] == [0x7E8] * len(heard)
    # Requests that come faster than answers: a unit answers the last one.
    assert heard and heard[-1][1][1:3] == bytes((0x41, 0x05))
    assert all(data[1] != 0x7F for _, data in heard)
    assert all(len(data) == 8 for _, data in heard)


def test_29_bit_requests_do_not_reach_an_11_bit_unit(port):
    _, _, tester = port(start=False)
    tester.send(can.Message(arbitration_id=0x18DB33F1, data=b"\x02\x01\x0c".ljust(8, b"\0"), is_extended_id=True))
    assert tester.recv(0.2) is None


# The link by itself, in virtual time.


def test_a_long_request_is_taken_frame_by_frame():
    link = SegmentedLink()
    assert link.receive(bytes((0x10, 9, 0x22, 1, 2, 3, 4, 5)), 1.0) is None
    assert link.due[0][1][:3] == bytes((0x30, 0, 0))
    assert link.receive(bytes((0x21, 6, 7, 8, 0, 0, 0, 0)), 1.01) == bytes((0x22, 1, 2, 3, 4, 5, 6, 7, 8))


def test_a_request_with_a_missing_or_late_frame_is_dropped():
    for frames in (
        [(bytes((0x22, 6, 7, 8)), 1.01)],
        [(bytes((0x21, 6, 7, 8)), 2.5)],
    ):
        link = SegmentedLink()
        link.receive(bytes((0x10, 9, 0x22, 1, 2, 3, 4, 5)), 1.0)
        assert all(link.receive(data, time) is None for data, time in frames)
        assert link.receive(bytes((0x21, 6, 7, 8)), 2.6) is None


def test_garbage_is_ignored():
    link = SegmentedLink()
    for data in (
        b"",
        b"\x00",
        b"\x08aaaaaaa",
        b"\x02\x01",
        b"\x10\x05aaaaaa",
        b"\x30",
        b"\x40aaa",
        b"\xff" * 8,
        b"\x21aa",
    ):
        assert link.receive(data, 0.0) is None
    assert link.due == []


def test_an_answer_whose_flow_control_never_comes_or_says_stop_is_given_up():
    for reply in (None, bytes((0x32, 0, 0)), bytes((0x30, 0, 0))):
        link = SegmentedLink()
        link.send(bytes(20), 0.0)
        assert [data[:2] for _, data in link.due] == [bytes((0x10, 20))]
        late = 1.5 if reply == bytes((0x30, 0, 0)) else 0.1
        if reply:
            link.receive(reply, late)
        assert len(link.due) == 1


def test_a_tester_that_says_wait_is_waited_for():
    link = SegmentedLink()
    link.send(bytes(20), 0.0)
    link.receive(bytes((0x31, 0, 0)), 0.9)
    link.receive(bytes((0x30, 0, 20)), 1.7)
    moments = [time for time, _ in link.due[1:]]
    assert len(moments) == 2
    assert moments[0] == pytest.approx(1.72) and moments[1] - moments[0] == pytest.approx(0.020)


def test_the_time_between_frames_is_what_the_tester_asks_for():
    # ISO 15765-2: 0 to 127 ms; F1 to F9 are 100 to 900 us; reserved values mean the longest.
    for asked_for, gap in ((0x00, 0.0004), (0x7F, 0.127), (0xF9, 0.0009), (0x80, 0.127), (0xFA, 0.127)):
        link = SegmentedLink()
        link.send(bytes(20), 0.0)
        link.receive(bytes((0x30, 0, asked_for)), 0.0)
        assert link.due[2][0] - link.due[1][0] == pytest.approx(gap)


def test_a_listed_identifier_nothing_is_bound_to_reads_as_zero(drive):
    listed = Parameter(0x22, 0x1234, "spare", 2, (Signal("SPARE", 7, 16, "big_endian"),))
    answers = EngineAnswers(DriveValues(drive("matching")), [listed])
    assert answers.answer(bytes((0x22, 0x12, 0x34)), 5.0, False) == bytes((0x62, 0x12, 0x34, 0, 0))
    assert answers.answer(bytes((0x22, 0x12)), 5.0, False) == bytes((0x7F, 0x22, 0x13))
