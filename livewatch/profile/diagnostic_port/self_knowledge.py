"""What a control unit says about itself: fault codes, readiness, freeze frame, calibration and vehicle number.

A complete diagnostic answer goes in; facts come out, none when it says nothing of the kind: `Codes` (SAE J1979
services 03, 07, 0A), `Readiness` (service 01, parameter 01), `Frozen` values (02), `Identity` (09). Of a car that
speaks SAE J1979-2, readiness and identity come by service 22, F401 and F8xx, codes and freeze frames by service 19 of
ISO 14229-1. A list of codes says of each whether it is stored or pending, not which of them were asked for: an answer
to another tester that asked for less is taken for the whole list. The vehicle identification number is a
person's business: it is turned into a mark at once, by which the same car is known again and nothing else.

Layouts are those of SAE J1979 and ISO 15031-5, from memory.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from livewatch.data.outside import printable
from livewatch.profile.diagnostic_port.answers import POSITIVE, STANDARD_DATA
from livewatch.profile.diagnostic_port.fault_codes import code_text
from livewatch.profile.diagnostic_port.j1979 import J1979, J1979_CHANNELS

__all__ = [
    "BY_MASK",
    "BY_STATUS",
    "CODE_LISTS",
    "CONFIRMED",
    "EMISSIONS",
    "FREEZE_FRAME_PARAMETERS",
    "INFORMATION",
    "PENDING",
    "PERMANENT",
    "READ_CODES",
    "SNAPSHOT",
    "VEHICLE_INFORMATION",
    "CodeKind",
    "Codes",
    "Fact",
    "Frozen",
    "Identity",
    "IdentityKind",
    "Readiness",
    "self_knowledge",
]

CodeKind = Literal["stored", "pending", "permanent"]
IdentityKind = Literal["vehicle", "calibration", "calibration verification", "control unit"]

CODE_SERVICES: Mapping[int, CodeKind] = {0x03: "stored", 0x07: "pending", 0x0A: "permanent"}
READ_CODES, EMISSIONS = 0x19, 0x33
"""ReadDTCInformation of ISO 14229-1, and the group of codes that concern emissions there."""
BY_STATUS, SNAPSHOT, BY_MASK, PERMANENT = 0x02, 0x04, 0x42, 0x55
"""Its sub-functions that are asked for: codes by status; what was kept when a code was set; codes of a group by status
and severity, and those with a permanent status, as SAE J1979-2 wants them asked for. Each of them only reports."""
CODE_LISTS: Mapping[int, tuple[int, int]] = {BY_STATUS: (2, 0), BY_MASK: (5, 1), PERMANENT: (4, 0)}
"""Of those that list codes, where the list begins, and what stands before the three bytes of a code; its status comes
after it."""
CONFIRMED, PENDING = 0x08, 0x04
"""Bits of a code's status (ISO 14229-1, annex D)."""
INFORMATION: Mapping[int, IdentityKind] = {
    0x04: "calibration",
    0x0A: "control unit",
    0x02: "vehicle",
    0x06: "calibration verification",
}
"""Kinds of service 09 that are asked for, in this order: a verification number may take a unit seconds to form."""
VEHICLE_INFORMATION = 0xF800
"""First identifier of service 22 for the kinds of service 09 (SAE J1979-2)."""
FREEZE_FRAME_PARAMETERS = (
    0x03, 0x04, 0x05, 0x06, 0x07, 0x08, 0x09, 0x0B, 0x0C, 0x0D, 0x0E, 0x0F, 0x10, 0x11, 0x33, 0x43, 0x44,
)  # fmt: skip
"""What is read of a freeze frame: the operating point, and how fuel was corrected there."""
MOST_CODES = 127
"""Codes that are read of one answer; the unit counts them in seven bits."""
_WIDTH: Mapping[str, int] = {"vehicle": 17, "calibration": 16, "calibration verification": 4, "control unit": 20}
_COMMON = {0: "misfire", 1: "fuel system", 2: "components"}
_SPARK = ("catalyst", "heated catalyst", "evaporative system", "secondary air", None, "oxygen sensor",
          "oxygen sensor heater", "exhaust gas recirculation or valve timing")  # fmt: skip
_COMPRESSION = ("hydrocarbon catalyst", "nitrogen oxide treatment", None, "boost pressure", None, "exhaust gas sensor",
                "particulate filter", "exhaust gas recirculation or valve timing")  # fmt: skip


@dataclass(frozen=True, slots=True)
class Codes:
    """Fault codes, as the unit lists them."""

    kind: CodeKind
    codes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Readiness:
    """Whether the malfunction lamp is asked for, how many codes are stored, and which monitors have not finished since
    codes were cleared."""

    lamp: bool
    stored: int
    unfinished: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Frozen:
    """Part of a freeze frame: the `code` that caused it, or one parameter's `values` by name, each with its unit."""

    code: str | None
    values: Mapping[str, tuple[float, str]]


@dataclass(frozen=True, slots=True)
class Identity:
    """What a unit calls itself, or its calibration; of a vehicle's number only the mark it leaves."""

    kind: IdentityKind
    texts: tuple[str, ...]


Fact = Codes | Readiness | Frozen | Identity


def self_knowledge(answer: bytes) -> tuple[Fact, ...]:
    """What a complete answer says of the unit itself."""
    if answer[0] - POSITIVE == READ_CODES:
        return _read_codes(answer[1:])
    found = _fact(answer)
    return () if found is None else (found,)


def _fact(answer: bytes) -> Fact | None:
    service, body = answer[0] - POSITIVE, answer[1:]
    if service in CODE_SERVICES:
        return _codes(CODE_SERVICES[service], body)
    if service == 0x01 and len(body) >= 5 and body[0] == 0x01:
        return _readiness(body[1:5])
    if service == 0x02 and len(body) >= 2:
        return _frozen(body[0], body[1], body[2:])
    if service == 0x09 and len(body) >= 2 and body[0] in INFORMATION:
        return _identity(INFORMATION[body[0]], body[2:])
    if service == 0x22 and len(body) >= 3:
        identifier = int.from_bytes(body[:2], "big")
        if identifier == STANDARD_DATA + 0x01 and len(body) >= 6:
            return _readiness(body[2:6])
        kind = INFORMATION.get(identifier - VEHICLE_INFORMATION)
        if kind is not None:
            return _identity(kind, body[2:])
    return None


def _read_codes(body: bytes) -> tuple[Fact, ...]:
    """Answers of service 19 (ISO 14229-1): lists of codes with their status, or what was kept when one was set."""
    form = CODE_LISTS.get(body[0]) if body else None
    if form is None:
        return _snapshot(body) if len(body) >= 7 and body[0] == SNAPSHOT else ()
    begin, lead = form
    records = [body[at : at + lead + 4] for at in range(begin, len(body), lead + 4)][:MOST_CODES]
    if len(body) < begin or any(len(one) < lead + 4 for one in records):
        return ()
    listed = [(code_text(one[lead : lead + 3]), one[lead + 3]) for one in records]
    if body[0] == PERMANENT:
        return (Codes("permanent", tuple(dict.fromkeys(code for code, _ in listed))),)
    wanted: tuple[tuple[CodeKind, int], ...] = (("stored", CONFIRMED), ("pending", PENDING))
    return tuple(
        Codes(kind, tuple(dict.fromkeys(code for code, status in listed if status & bit))) for kind, bit in wanted
    )


def _snapshot(body: bytes) -> tuple[Fact, ...]:
    """The first record of those kept with a code: as many standard parameters as are known, one after the other."""
    values: dict[str, tuple[float, str]] = {}
    at = 7
    for _ in range(body[6]):
        parameter = int.from_bytes(body[at : at + 2], "big") - STANDARD_DATA
        known = J1979.get(parameter)
        if known is None or len(body) < at + 2 + known.length:
            break
        values |= _values(parameter, body[at + 2 : at + 2 + known.length])
        at += 2 + known.length
    return (Frozen(code_text(body[1:4]), values),)


def _codes(kind: CodeKind, body: bytes) -> Codes | None:
    if not body or body[0] > MOST_CODES or len(body) < 1 + 2 * body[0]:
        return None
    pairs = (body[at : at + 2] for at in range(1, 1 + 2 * body[0], 2))
    return Codes(kind, tuple(dict.fromkeys(code_text(pair) for pair in pairs if pair != b"\x00\x00")))


def _readiness(data: bytes) -> Readiness:
    unfinished = [name for bit, name in _COMMON.items() if data[1] >> bit & 1 and data[1] >> (bit + 4) & 1]
    names = _COMPRESSION if data[1] >> 3 & 1 else _SPARK
    unfinished += [
        name for bit, name in enumerate(names) if name is not None and data[2] >> bit & 1 and data[3] >> bit & 1
    ]
    return Readiness(bool(data[0] & 0x80), data[0] & 0x7F, tuple(unfinished))


def _frozen(parameter: int, frame: int, data: bytes) -> Frozen | None:
    if frame != 0:
        return None
    if parameter == 0x02:
        return Frozen(code_text(data[:2]), {}) if len(data) >= 2 and data[:2] != b"\x00\x00" else None
    known = J1979.get(parameter)
    return None if known is None or len(data) < known.length else Frozen(None, _values(parameter, data))


def _values(parameter: int, data: bytes) -> dict[str, tuple[float, str]]:
    """What a standard parameter says, by name."""
    values = {}
    for signal in J1979[parameter].signals:
        if signal.is_multiplexer or signal.multiplexer is not None or signal.length % 8:
            continue
        raw = int.from_bytes(data[signal.start // 8 : signal.start // 8 + signal.length // 8], "big")
        if raw not in signal.invalid:
            name = J1979_CHANNELS.get((parameter, signal.name), signal.name)
            values[name] = (round(raw * signal.scale + signal.offset, 4), signal.unit or "1")
    return values


def _identity(kind: IdentityKind, data: bytes) -> Identity | None:
    width = _WIDTH[kind]
    if len(data) % width == 1 and data[0] == len(data) // width:
        data = data[1:]  # how many there are
    pieces = [data[at : at + width] for at in range(0, min(len(data), 16 * width), width)]
    if kind == "calibration verification":
        texts = [piece.hex().upper() for piece in pieces if len(piece) == width]
    else:
        texts = [printable(piece.replace(b"\x00", b" ").decode("ascii", "replace")).strip() for piece in pieces]
    texts = [text for text in texts if text]
    if kind == "vehicle":
        texts = [_mark(text) for text in texts[:1]]
    return Identity(kind, tuple(texts)) if texts else None


def _mark(number: str) -> str:
    """By which a vehicle's number is known again: 12 hexadecimal digits of its SHA-256."""
    return hashlib.sha256(f"livewatch vehicle {number}".encode()).hexdigest()[:12]
