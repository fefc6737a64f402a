"""What a control unit is asked about itself: its fault codes, readiness, freeze frame, calibration and number.

A script of questions, like `discovery`: `ask_about_itself` gives `Question`s and is sent their answers. What the
answers say is read where all frames are read, in `decode`, so that a recording says the same as a car. A car of SAE
J1979-2 alone gives its codes by a service that is not among those livewatch sends; of such a car the calibration, the
number and the readiness are asked.
"""

from __future__ import annotations

from collections.abc import Generator, Sequence

from livewatch.profile.diagnostic_port.self_knowledge import FREEZE_FRAME_PARAMETERS, INFORMATION, VEHICLE_INFORMATION
from livewatch.sources.polling.discovery import Unit
from livewatch.sources.polling.exchange import Answer, Question

__all__ = ["ask_about_itself"]

STORED, PENDING, PERMANENT = 0x03, 0x07, 0x0A


def ask_about_itself(unit: Unit) -> Generator[Question, Sequence[Answer], None]:
    """Ask everything; what the unit does not have costs one question."""
    if unit.modern:
        yield Question(unit.request, unit.body([0x01]))
        for kind in INFORMATION:
            yield Question(unit.request, b"\x22" + (VEHICLE_INFORMATION + kind).to_bytes(2, "big"))
        return
    yield Question(unit.request, bytes((0x01, 0x01)))
    for service in (STORED, PENDING, PERMANENT):
        yield Question(unit.request, bytes((service,)))
    yield from _freeze_frame(unit)
    there = yield Question(unit.request, b"\x09\x00")
    said = there[0].data[2:6] if there and there[0].data[:2] == b"\x49\x00" else b""
    for kind in INFORMATION:
        if len(said) < 4 or int.from_bytes(said, "big") >> (0x20 - kind) & 1:
            yield Question(unit.request, bytes((0x09, kind)))


def _freeze_frame(unit: Unit) -> Generator[Question, Sequence[Answer], None]:
    cause = yield Question(unit.request, b"\x02\x02\x00")
    if not cause or cause[0].data[3:5] in (b"", b"\x00\x00"):
        return
    for parameter in FREEZE_FRAME_PARAMETERS:
        if unit.supported is None or parameter in unit.supported:
            yield Question(unit.request, bytes((0x02, parameter, 0x00)))
