"""Every message of every DBC in cantools' own source archive decodes to the bits that cantools makes of it.

The messages come through `livewatch.profile.dbc`, as in a user's profile. Left out: the files that cantools itself
refuses to load (FILES_LEFT_OUT, checked to be exactly those), which a profile refuses too; the placeholder of the DBC
format for signals of no message, which is never on a bus; and messages without a signal, in which there is nothing to
decode. Where a multiplexer has a value that no signal declares, cantools refuses the whole frame: here the signals that
are always present are still decoded, which is checked.
"""

from __future__ import annotations

import random
import warnings
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any, Literal

import cantools
import numpy as np
import pytest

from livewatch.profile.dbc import DbcError, load_dbc
from livewatch.profile.model import Message
from tests.decode.whole_message import decode_message, decode_message_raw

RANDOM_PAYLOADS = 60
MOST_VALUES = 64
"""Values of one multiplexer tried one by one; of more, the ends and a random choice."""

FILES_LEFT_OUT = {
    "bad_message_length.dbc": "a signal does not fit in its message",
    "incorrect-sig_valtype.dbc": "a value type for a signal that is not there",
    "incorrect-val.dbc": "a value table for a signal that is not there",
    "issue_199.dbc": "an 11-bit identifier of more than 11 bits",
    "issue_199_extended.dbc": "a 29-bit identifier of more than 29 bits",
    "issue_63.dbc": "overlapping signals",
}
PLACEHOLDER = "VECTOR__INDEPENDENT_SIG_MSG"

Case = tuple[str, Any, Message]
"""File name, cantools' message, ours."""


@pytest.fixture(scope="module")
def cases(dbc_files: list[Path]) -> list[Case]:
    """Every message with a signal, of every file that cantools can load."""
    found: list[Case] = []
    for path in dbc_files:
        if path.name in FILES_LEFT_OUT:
            continue
        theirs = [message for message in _load(path).messages if message.name != PLACEHOLDER]
        ours = load_dbc(path, "engine").messages
        assert [message.name for message in ours] == [message.name for message in theirs]
        found += [(path.name, *pair) for pair in zip(theirs, ours, strict=True) if pair[0].signals]
    return found


def test_files_left_out_are_exactly_those_that_cantools_refuses(dbc_files: list[Path]) -> None:
    refused: set[str] = set()
    for path in dbc_files:
        try:
            _load(path)
        except cantools.database.UnsupportedDatabaseFormatError:  # type: ignore[attr-defined]
            refused.add(path.name)
    assert refused == set(FILES_LEFT_OUT)
    assert len(dbc_files) > 80


@pytest.mark.parametrize("name", FILES_LEFT_OUT)
def test_of_a_file_that_cantools_refuses_the_rest_is_read_or_nothing(dbc_files: list[Path], name: str) -> None:
    try:
        dbc = load_dbc(next(path for path in dbc_files if path.name == name), "engine")
    except DbcError as error:
        assert error.problems
    else:
        assert dbc.messages


def test_only_the_placeholder_and_messages_without_signals_are_left_out(
    dbc_files: list[Path], cases: list[Case]
) -> None:
    taken = {(name, message.name) for name, message, _ in cases}
    left_out = [
        message
        for path in dbc_files
        if path.name not in FILES_LEFT_OUT
        for message in _load(path).messages
        if (path.name, message.name) not in taken
    ]
    assert all(message.name == PLACEHOLDER or not message.signals for message in left_out)


def test_the_files_hold_every_kind_of_signal(cases: list[Case]) -> None:
    signals = [signal for _, message, _ in cases for signal in message.signals]
    assert len(cases) > 350
    assert {signal.byte_order for signal in signals} == {"little_endian", "big_endian"}
    assert {signal.length for signal in signals if signal.conversion.is_float} >= {32, 64}
    assert any(signal.length == 64 and not signal.conversion.is_float for signal in signals)
    assert any(signal.is_signed and signal.is_multiplexer for signal in signals)
    assert any(signal.multiplexer_signal and signal.is_multiplexer for signal in signals), "multiplexers below others"
    assert any(message.length == 64 for _, message, _ in cases), "CAN FD"


def test_any_payload_decodes_to_the_bits_that_cantools_makes_of_it(cases: list[Case]) -> None:
    wrong: list[str] = []
    for name, message, ours in cases:
        payloads = list(_payloads(message))
        assert len(payloads) >= RANDOM_PAYLOADS
        wrong += _differences(name, message, ours, payloads)
    assert not wrong, "\n".join(wrong[:20])


def test_a_frame_cut_short_brings_the_signals_that_cantools_finds_in_it(cases: list[Case]) -> None:
    wrong: list[str] = []
    for name, message, ours in cases:
        chance = random.Random(message.name)
        whole = [payload for payload in _payloads(message) if chance.random() < 0.02] + [bytes(message.length)]
        payloads = [payload[:length] for payload in whole for length in range(message.length)]
        wrong += _differences(name, message, ours, payloads)
    assert not wrong, "\n".join(wrong[:20])


def test_every_declared_multiplexer_value_is_tried(cases: list[Case]) -> None:
    multiplexed = [message for _, message, _ in cases if message.is_multiplexed()]
    assert len(multiplexed) > 20
    for message in multiplexed:
        seen: dict[str, set[int]] = {}
        for payload in _payloads(message):
            try:
                decoded = message.decode(payload, decode_choices=False, scaling=False)
            except cantools.database.DecodeError:
                continue
            for name, value in decoded.items():
                if message.get_signal_by_name(name).is_multiplexer:
                    seen.setdefault(name, set()).add(int(value))
        for signal in message.signals:
            if signal.is_multiplexer:
                reachable = {value for value in _selecting(message, signal.name) if _fits(signal, value)}
                missing = reachable - seen.get(signal.name, set())
                assert len(missing) <= max(0, len(reachable) - MOST_VALUES), (message.name, signal.name, missing)


@cache
def _load(path: Path) -> Any:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return cantools.database.load_file(path)


def _differences(name: str, message: Any, ours: Message, payloads: list[bytes]) -> Iterator[str]:
    """What differs between cantools and here over all `payloads`, in words."""
    data = np.zeros((len(payloads), max(1, message.length)), np.uint8)
    for row, payload in enumerate(payloads):
        data[row, : len(payload)] = list(payload)
    length = np.array([len(payload) for payload in payloads], np.uint8)
    physical = decode_message(ours, data, length)
    raw = decode_message_raw(ours, data, length)
    for row, payload in enumerate(payloads):
        where = f"{name}, {message.name}, {payload.hex(' ')}"
        try:
            scaled = message.decode(payload, decode_choices=False, allow_truncated=True)
            plain = message.decode(payload, decode_choices=False, scaling=False, allow_truncated=True)
        except cantools.database.DecodeError as error:
            if "expected multiplexer id" not in str(error):
                yield f"{where}: cantools says {error}"
            for signal in ours.signals:
                if signal.multiplexer is None and len(payload) == message.length and not raw[signal.name][1][row]:
                    yield f"{where}: {signal.name} is always present"
            continue
        received = {signal for signal, (_, there) in physical.items() if there[row]}
        if received != set(scaled):
            yield f"{where}: received {received ^ set(scaled)} in one only"
            continue
        for signal, value in scaled.items():
            mine = physical[signal][0][row]
            if _bits(float(mine)) != _bits(float(value)):
                yield f"{where}: {signal} is {value!r}, not {mine!r}"
            number = raw[signal][0][row].item()
            if number != plain[signal] and not (number != number and plain[signal] != plain[signal]):
                yield f"{where}: raw {signal} is {plain[signal]!r}, not {number!r}"


def _bits(value: float) -> bytes:
    return np.float64(value).tobytes() if value == value else b"not a number"


def _payloads(message: Any) -> Iterator[bytes]:
    """Random payloads, all zeros, all ones, each signal alone at the ends of its raw range, each multiplexer value."""
    chance = random.Random(message.name)
    size = message.length
    multiplexers = [signal for signal in message.signals if signal.is_multiplexer]
    values = {
        signal.name: [value for value in sorted(_selecting(message, signal.name)) if _fits(signal, value)]
        for signal in multiplexers
    }

    def with_multiplexers(payload: bytes) -> bytes:
        """The payload with every multiplexer at one of its declared values."""
        for signal in multiplexers:
            if values[signal.name]:
                payload = _store(payload, signal, chance.choice(values[signal.name]))
        return payload

    yield bytes(size)
    yield b"\xff" * size
    for _ in range(RANDOM_PAYLOADS):
        yield with_multiplexers(chance.randbytes(size))
    if multiplexers:
        for _ in range(RANDOM_PAYLOADS // 4):
            yield chance.randbytes(size)
    for signal in message.signals:
        top = (1 << signal.length) - 1
        for bits in (0, 1, top >> 1, (top >> 1) + 1, top):
            for background in (bytes(size), b"\xff" * size):
                yield _store(with_multiplexers(background), signal, bits)
    for signal in multiplexers:
        wanted = values[signal.name]
        if len(wanted) > MOST_VALUES:
            wanted = [wanted[0], wanted[-1], *chance.sample(wanted, MOST_VALUES - 2)]
        for value in wanted:
            for _ in range(3):
                payload = with_multiplexers(chance.randbytes(size))
                yield _select(payload, message, signal, value)


def _select(payload: bytes, message: Any, signal: Any, value: int) -> bytes:
    """`signal` at `value`, and every multiplexer above it at a value that selects the one below."""
    payload = _store(payload, signal, value)
    while signal.multiplexer_signal is not None:
        above = message.get_signal_by_name(signal.multiplexer_signal)
        payload = _store(payload, above, signal.multiplexer_ids[0])
        signal = above
    return payload


def _selecting(message: Any, multiplexer: str) -> set[int]:
    return {
        value
        for signal in message.signals
        if signal.multiplexer_signal == multiplexer
        for value in signal.multiplexer_ids or ()
    }


def _fits(signal: Any, value: int) -> bool:
    low = -(1 << (signal.length - 1)) if signal.is_signed else 0
    return low <= value <= low + (1 << signal.length) - 1


def _store(payload: bytes, signal: Any, value: int) -> bytes:
    """`payload` with the bits of `signal` replaced."""
    size = 8 * len(payload)
    order: Literal["little", "big"]
    if signal.byte_order == "little_endian":
        order, shift = "little", signal.start
    else:
        order, shift = "big", size - (8 * (signal.start // 8) + 7 - signal.start % 8) - signal.length
    mask = (1 << signal.length) - 1
    number = int.from_bytes(payload, order)
    return (number & ~(mask << shift) | (value & mask) << shift).to_bytes(len(payload), order)
