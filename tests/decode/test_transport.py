"""Answers sent in any number of frames are put back together as ISO 15765-2 says; can-isotp is the oracle."""

from __future__ import annotations

from collections.abc import Callable

import isotp
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from livewatch.profile.diagnostic_port.transport import (
    BROKE_OFF,
    LATEST,
    LONGEST,
    MALFORMED,
    TOO_LONG,
    WITHOUT_START,
    Reception,
)

Transfer = Callable[..., list[bytes]]
SECOND = 1_000_000_000
plain = settings(deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow])


def _receive(frames: list[bytes], reception: Reception | None = None) -> tuple[list[bytes], list[str]]:
    """Complete answers and oddities of frames one millisecond apart."""
    reception = Reception() if reception is None else reception
    answers: list[bytes] = []
    oddities: list[str] = []
    for i, frame in enumerate(frames):
        answer, odd = reception.receive(i * 1_000_000, frame)
        answers += [] if answer is None else [answer]
        oddities += odd
    return answers, oddities


@plain
@given(
    length=st.one_of(st.integers(1, 70), st.integers(1, 4095), st.just(4095)),
    seed=st.randoms(use_true_random=False),
    blocksize=st.integers(0, 255),
    padding=st.sampled_from([None, 0x00, 0x55, 0xAA, 0xCC, 0xFF]),
    width=st.sampled_from([8, 8, 12, 16, 20, 24, 32, 48, 64]),
)
def test_an_answer_of_any_length_arrives_whole(
    frames_of_transfer: Transfer, length: int, seed: object, blocksize: int, padding: int | None, width: int
) -> None:
    payload = seed.randbytes(length)  # type: ignore[attr-defined]
    frames = frames_of_transfer(payload, blocksize=blocksize, tx_padding=padding, tx_data_length=width)
    assert _receive(frames) == ([payload], [])


@pytest.mark.parametrize("length", [4095, 4096, 5000, LONGEST])
def test_an_answer_beyond_4095_bytes_uses_the_long_first_frame(frames_of_transfer: Transfer, length: int) -> None:
    payload = bytes(i * 7 & 255 for i in range(length))
    for width in (8, 64):
        assert _receive(frames_of_transfer(payload, tx_data_length=width)) == ([payload], [])


def test_an_answer_too_long_to_keep_is_counted_once_and_the_next_one_is_read(frames_of_transfer: Transfer) -> None:
    frames = frames_of_transfer(bytes(LONGEST + 1), tx_data_length=64)
    assert _receive([*frames, b"\x02\x41\x00"]) == ([b"\x41\x00"], [TOO_LONG])


FAULTS = ["lose", "repeat", "swap", "move"]


def test_frames_behind_an_answer_too_long_to_keep_are_its_own_only_until_the_next_answer(
    frames_of_transfer: Transfer,
) -> None:
    first, second, third, *_ = frames_of_transfer(bytes(LONGEST + 1), tx_data_length=64)
    assert _receive([first, second, b"\x02\x41\x00", third]) == ([b"\x41\x00"], [TOO_LONG, WITHOUT_START])


def _by_can_isotp(frames: list[bytes]) -> list[bytes]:
    waiting = [isotp.CanMessage(arbitration_id=0x7E8, data=frame) for frame in frames]
    address = isotp.Address(isotp.AddressingMode.Normal_11bits, txid=0x7E0, rxid=0x7E8)
    receiver = isotp.TransportLayerLogic(
        rxfn=lambda _: waiting.pop(0) if waiting else None, txfn=lambda _: None, address=address
    )
    answers: list[bytes] = []
    while waiting:
        receiver.process()
        while receiver.available():
            answers.append(bytes(receiver.recv() or b""))
    return answers


@settings(plain, max_examples=150)
@given(
    payloads=st.lists(st.binary(min_size=1, max_size=60), min_size=1, max_size=6),
    faults=st.lists(
        st.tuples(st.sampled_from(["lose", "repeat", "swap", "move"]), st.integers(0, 99), st.integers(0, 99)),
        max_size=6,
    ),
)
def test_lost_repeated_and_mixed_up_frames_leave_the_answers_that_can_isotp_receives(
    frames_of_transfer: Transfer, payloads: list[bytes], faults: list[tuple[str, int, int]]
) -> None:
    frames = [frame for payload in payloads for frame in frames_of_transfer(payload, tx_padding=0)]
    for fault, where, other in faults:
        i, j = where % len(frames), other % len(frames)
        if fault == "lose" and len(frames) > 1:
            del frames[i]
        elif fault == "repeat":
            frames.insert(i, frames[i])
        elif fault == "swap":
            frames[i], frames[j] = frames[j], frames[i]
        elif fault == "move":
            frames.insert(j, frames.pop(i))
    answers, oddities = _receive(frames)
    assert answers == _by_can_isotp(frames)
    if not faults:
        assert answers == payloads
        assert oddities == []


def _long(frames_of_transfer: Transfer) -> tuple[bytes, list[bytes]]:
    payload = b"\x62" + bytes(range(29))
    return payload, frames_of_transfer(payload)


def test_sequence_numbers_wrap_from_15_to_0(frames_of_transfer: Transfer) -> None:
    frames = frames_of_transfer(bytes(200))
    assert [frame[0] for frame in frames[14:19]] == [0x2E, 0x2F, 0x20, 0x21, 0x22]
    assert _receive(frames) == ([bytes(200)], [])


def test_a_lost_frame_breaks_the_answer_off_and_the_rest_of_it_is_left_out(frames_of_transfer: Transfer) -> None:
    payload, frames = _long(frames_of_transfer)
    lost = [*frames[:2], *frames[3:]]
    assert _receive([*lost, *frames]) == ([payload], [BROKE_OFF, WITHOUT_START])


def test_a_restarted_answer_replaces_the_one_before(frames_of_transfer: Transfer) -> None:
    payload, frames = _long(frames_of_transfer)
    assert _receive([*frames[:3], *frames]) == ([payload], [BROKE_OFF])


def test_a_short_answer_in_between_ends_the_long_one(frames_of_transfer: Transfer) -> None:
    _, frames = _long(frames_of_transfer)
    single = bytes.fromhex("03 7F 22 78")
    answers, oddities = _receive([*frames[:2], single, *frames[2:]])
    assert answers == [single[1:]]
    assert oddities == [BROKE_OFF] + [WITHOUT_START] * (len(frames) - 2)


@pytest.mark.parametrize(("wait", "arrives"), [(LATEST, True), (LATEST + 1, False)])
def test_the_next_frame_may_come_a_second_later_but_not_more(
    frames_of_transfer: Transfer, wait: int, arrives: bool
) -> None:
    """N_Cr of ISO 15765-2: 1000 ms."""
    payload, frames = _long(frames_of_transfer)
    reception = Reception()
    taken = [reception.receive(i * wait, frame) for i, frame in enumerate(frames)]
    assert LATEST == SECOND
    assert taken[-1][0] == (payload if arrives else None)
    oddities = [kind for _, odd in taken for kind in odd]
    assert oddities == ([] if arrives else [BROKE_OFF] + [WITHOUT_START] * (len(frames) - 2))


def test_a_clock_that_jumps_back_does_not_break_an_answer_off(frames_of_transfer: Transfer) -> None:
    payload, frames = _long(frames_of_transfer)
    reception = Reception()
    taken = [reception.receive(-i * 3600 * SECOND, frame) for i, frame in enumerate(frames)]
    assert taken[-1] == (payload, ())


def test_flow_control_and_its_block_size_are_none_of_the_receivers_business(frames_of_transfer: Transfer) -> None:
    payload, frames = _long(frames_of_transfer)
    assert _receive([frames[0], b"\x30\x00\x00", *frames[1:]]) == ([payload], [])


@pytest.mark.parametrize(
    ("frame", "why"),
    [
        ("", "no data"),
        ("00", "a single frame of nothing"),
        ("00 05 41 00 00 00 00 00", "the long single frame in a classic CAN frame"),
        ("08 41 00 00 00 00 00 00", "eight bytes in seven"),
        ("05 41 0C 1A", "shorter than it says"),
        ("05" + " 41" * 11, "CAN FD without the long form"),
        ("05 04" + " 41" * 10, "CAN FD without the long form, whose second byte would be a length"),
        ("00 0B" + " 41" * 10, "CAN FD, longer than the frame"),
        ("10 14 41 00 00 00 00", "a first frame of seven bytes"),
        ("10 07 41 00 00 00 00 00", "a first frame for what fits in a single one"),
        ("10 3E" + " 41" * 62, "the same in CAN FD"),
        ("10 00 00 00 0F FF 41 00", "the long first frame for 4095 bytes"),
        ("40 00 00 00 00 00 00 00", "an unknown kind of frame"),
    ],
)
def test_a_frame_that_is_no_valid_start_is_counted_and_disturbs_nothing(
    frames_of_transfer: Transfer, frame: str, why: str
) -> None:
    payload, frames = _long(frames_of_transfer)
    assert _receive([frames[0], bytes.fromhex(frame), *frames[1:]]) == ([payload], [MALFORMED]), why


def test_a_frame_too_short_for_its_part_breaks_the_answer_off(frames_of_transfer: Transfer) -> None:
    _, frames = _long(frames_of_transfer)
    frames[1] = frames[1][:6]
    assert _receive(frames)[0] == []
    assert _receive(frames)[1][0] == BROKE_OFF


@given(st.lists(st.binary(max_size=64), max_size=40))
def test_noise_never_raises(frames: list[bytes]) -> None:
    answers, oddities = _receive(frames)
    assert len(answers) + len(oddities) <= 2 * len(frames)
