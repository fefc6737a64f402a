"""Identifiers on the diagnostic port (ISO 15765-4): who asks with which, and who answers with which.

Identifiers have 11 bits, or 29 of the form 18DAttss (to target tt, from source ss; the tester is F1).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from livewatch.data.frames import LARGEST_STANDARD

__all__ = ["FUNCTIONAL", "answer_identifiers", "is_request", "request_for", "request_identifiers"]

FUNCTIONAL: Mapping[bool, int] = {False: 0x7DF, True: 0x18DB33F1}
"""What a tester asks every control unit with, by whether identifiers have 29 bits."""


def answer_identifiers(extended: bool) -> Sequence[int]:
    """Every identifier a control unit may answer with."""
    return range(0x18DAF100, 0x18DAF200) if extended else range(0x7E8, 0x7F0)


def request_identifiers(extended: bool) -> Sequence[int]:
    """Every identifier a tester may ask with."""
    physical = range(0x18DA00F1, 0x18DB00F1, 0x100) if extended else range(0x7E0, 0x7E8)
    return FUNCTIONAL[extended], *physical


def request_for(answer: int, extended: bool) -> int | None:
    """The identifier that asks the one control unit that answers with `answer`; None when it is none of the
    standard's."""
    if answer not in answer_identifiers(extended):
        return None
    return 0x18DA00F1 | (answer & 0xFF) << 8 if extended else answer - 8


def is_request(identifier: int, extended: bool) -> bool:
    """Whether an identifier is one of the diagnostic port's, to ask with: 700..7FF of 11 bits (ISO 15765-4 uses 7DF and
    7E0..7E7 of them; the others are common practice for physical addressing) and, of 29 bits, 18DA..F1 and 18DB..F1
    (ISO 15765-4, tester F1). Nothing is ever sent with another one."""
    if extended:
        return (identifier & ~0xFF00) in (0x18DA00F1, 0x18DB00F1)
    return 0x700 <= identifier <= LARGEST_STANDARD
