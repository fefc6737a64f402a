"""Which engine computers answer on a diagnostic port, and which standard parameters each has.

A script of questions: `discover` is a generator that gives a `Question`, is sent its answers, and returns the `Unit`s
found. Whoever runs it (the poller, `connect`, a test in virtual time) does the sending and waiting. All units are asked
for the parameters they support (SAE J1979 service 01, parameter 00); each that answers is then asked for the rest by
itself. Where none does, they are asked by service 22, identifier F400, as cars of SAE J1979-2 alone have it.
"""

from __future__ import annotations

from collections.abc import Collection, Generator, Sequence
from dataclasses import dataclass

from livewatch.profile.diagnostic_port.addresses import FUNCTIONAL, request_for
from livewatch.profile.diagnostic_port.answers import STANDARD_DATA
from livewatch.sources.polling.exchange import Answer, Question

__all__ = ["Script", "Unit", "discover", "supported_in"]

Script = Generator[Question, Sequence[Answer], "list[Unit]"]
MOST_UNITS = 8
"""Control units that may answer on a port (ISO 15765-4)."""
BITMAPS = range(0x00, 0xE1, 0x20)


@dataclass(frozen=True, slots=True)
class Unit:
    """One control unit.

    Attributes:
        answer, request: the identifiers it answers with and is asked with.
        supported: the parameters of service 01 that it has; None where it was not asked, or did not say.
        modern: whether it gives them by service 22 (SAE J1979-2) in place of service 01.
    """

    request: int
    answer: int | None = None
    supported: frozenset[int] | None = None
    modern: bool = False

    @property
    def name(self) -> str:
        """What it is called: the identifier it answers with."""
        return f"{self.request if self.answer is None else self.answer:X}"

    def body(self, parameters: Sequence[int]) -> bytes:
        """The request for standard parameters."""
        if not self.modern:
            return bytes((0x01, *parameters))
        return b"\x22" + b"".join((STANDARD_DATA + one).to_bytes(2, "big") for one in parameters)


def discover(request: int, extended: bool, answers: Collection[int] = ()) -> Script:
    """Find the units; `request` is the identifier to begin with, `answers` those that are not the standard's."""
    everybody = request == FUNCTIONAL[extended]
    for modern in (False, True):
        asking = Unit(request, modern=modern)
        found = yield Question(request, asking.body([0x00]), everybody)
        units: list[Unit] = []
        for answer in sorted(found, key=lambda one: one.sender)[:MOST_UNITS]:
            first = supported_in(answer, 0x00, modern)
            own = request_for(answer.sender, extended)
            if first is not None:
                unit = Unit(request if own is None else own, answer.sender, first, modern)
                units.append((yield from _rest(unit)))
        if units:
            return units
    return []


def _rest(unit: Unit) -> Generator[Question, Sequence[Answer], Unit]:
    """`unit` with the parameters of all bitmaps."""
    supported = set(unit.supported or ())
    for bitmap in BITMAPS[1:]:
        if bitmap not in supported:
            break
        answers = yield Question(unit.request, unit.body([bitmap]))
        more = next((found for one in answers if (found := supported_in(one, bitmap, unit.modern)) is not None), None)
        if more is None:
            break
        supported |= more
    return Unit(unit.request, unit.answer, frozenset(supported), unit.modern)


def supported_in(answer: Answer, bitmap: int, modern: bool) -> frozenset[int] | None:
    """The parameters that the answer to `bitmap` (00, 20, ...) says there are; None when it is no such answer."""
    head = b"\x62" + (STANDARD_DATA + bitmap).to_bytes(2, "big") if modern else bytes((0x41, bitmap))
    bits = answer.data[len(head) : len(head) + 4]
    if not answer.data.startswith(head) or len(bits) < 4:
        return None
    number = int.from_bytes(bits, "big")
    return frozenset(bitmap + place for place in range(1, 0x21) if number >> (0x20 - place) & 1)
