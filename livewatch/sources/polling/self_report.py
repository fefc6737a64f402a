"""What a control unit is asked about itself: its fault codes, readiness, freeze frame, calibration and number.

A script of questions, like `discovery`: `ask_about_itself` gives `Question`s and is sent their answers. What the
answers say is read where all frames are read, in `decode`, so that a recording says the same as a car. A car of SAE
J1979-2 alone gives its codes and freeze frames by service 19 of ISO 14229-1, of which only what reports is asked for.
"""

from __future__ import annotations

from collections.abc import Generator, Sequence

from livewatch.profile.diagnostic_port.self_knowledge import (
    BY_MASK,
    BY_STATUS,
    CODE_LISTS,
    CONFIRMED,
    EMISSIONS,
    FREEZE_FRAME_PARAMETERS,
    INFORMATION,
    PENDING,
    READ_CODES,
    SNAPSHOT,
    VEHICLE_INFORMATION,
)
from livewatch.profile.diagnostic_port.self_knowledge import PERMANENT as PERMANENT_CODES
from livewatch.sources.polling.discovery import Unit
from livewatch.sources.polling.exchange import Answer, Question

__all__ = ["ask_about_itself"]

STORED_SERVICE, PENDING_SERVICE, PERMANENT_SERVICE = 0x03, 0x07, 0x0A
EVERY_CLASS, ALL_RECORDS = 0x1E, 0xFF
"""Classes A to C of codes (SAE J1979-2, from memory), and all records of a code (ISO 14229-1)."""
MOST_SNAPSHOTS = 4
"""Codes whose freeze frames are asked for: the first are what began it."""


def ask_about_itself(unit: Unit) -> Generator[Question, Sequence[Answer], None]:
    """Ask everything; what the unit does not have costs one question."""
    if unit.modern:
        yield from _codes_of_modern(unit)
        yield Question(unit.request, unit.body([0x01]))
        for kind in INFORMATION:
            yield Question(unit.request, b"\x22" + (VEHICLE_INFORMATION + kind).to_bytes(2, "big"))
        return
    yield Question(unit.request, bytes((0x01, 0x01)))
    for service in (STORED_SERVICE, PENDING_SERVICE, PERMANENT_SERVICE):
        yield Question(unit.request, bytes((service,)))
    yield from _freeze_frame(unit)
    there = yield Question(unit.request, b"\x09\x00")
    said = there[0].data[2:6] if there and there[0].data[:2] == b"\x49\x00" else b""
    for kind in INFORMATION:
        if len(said) < 4 or int.from_bytes(said, "big") >> (0x20 - kind) & 1:
            yield Question(unit.request, bytes((0x09, kind)))


def _codes_of_modern(unit: Unit) -> Generator[Question, Sequence[Answer], None]:
    """Codes, and what was kept when the first of those stored were set."""
    both = CONFIRMED | PENDING
    form, listed = BY_MASK, (yield Question(unit.request, bytes((READ_CODES, BY_MASK, EMISSIONS, both, EVERY_CLASS))))
    if not listed or not listed[0].data:
        form, listed = BY_STATUS, (yield Question(unit.request, bytes((READ_CODES, BY_STATUS, both))))
    yield Question(unit.request, bytes((READ_CODES, PERMANENT_CODES, EMISSIONS)))
    said = listed[0].data if listed else b""
    begin, lead = CODE_LISTS[form]
    records = [said[at : at + lead + 4] for at in range(1 + begin, len(said), lead + 4)]
    stored = [one[lead : lead + 3] for one in records if len(one) == lead + 4 and one[lead + 3] & CONFIRMED]
    for code in list(dict.fromkeys(stored))[:MOST_SNAPSHOTS]:
        yield Question(unit.request, bytes((READ_CODES, SNAPSHOT)) + code + bytes((ALL_RECORDS,)))


def _freeze_frame(unit: Unit) -> Generator[Question, Sequence[Answer], None]:
    cause = yield Question(unit.request, b"\x02\x02\x00")
    if not cause or cause[0].data[3:5] in (b"", b"\x00\x00"):
        return
    for parameter in FREEZE_FRAME_PARAMETERS:
        if unit.supported is None or parameter in unit.supported:
            yield Question(unit.request, bytes((0x02, parameter, 0x00)))
