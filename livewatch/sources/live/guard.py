"""The last gate before anything is put on a vehicle's bus: only requests that read may pass.

A frame's identifier and data come in; whether it may be sent comes out. What may pass is a single-frame request of
ISO 15765-2 for a service that reads (SAE J1979 services 01, 02, 03, 07, 09, 0A; ISO 14229 service 22 with identifiers
that the profile lists, and F4xx and F8xx, by which SAE J1979-2 gives the standard parameters and the vehicle's
information; service 19 of ISO 14229-1 with the sub-functions that report codes and what was kept with them, as SAE
J1979-2 asks for them), of the length that service has, and the flow control frame that lets one unit's long answer
continue, all on an identifier of the diagnostic port. Whoever builds requests keeps to that already; this holds even if
it does not.
"""

from __future__ import annotations

from collections.abc import Collection

from livewatch.profile.diagnostic_port.addresses import FUNCTIONAL, is_request
from livewatch.profile.diagnostic_port.self_knowledge import (
    BY_MASK,
    BY_STATUS,
    EMISSIONS,
    PERMANENT,
    READ_CODES,
    SNAPSHOT,
)

__all__ = ["may_be_sent"]

_LENGTHS = {
    0x01: frozenset(range(2, 8)),
    0x02: frozenset((3, 5, 7)),
    0x03: frozenset((1,)),
    0x07: frozenset((1,)),
    0x09: frozenset((2,)),
    0x0A: frozenset((1,)),
    READ_CODES: frozenset((3, 5, 6)),
    0x22: frozenset((3, 5, 7)),
}
"""Bytes of a request by service: the service, and what is asked for (SAE J1979, ISO 14229-1)."""
_REPORTS = {BY_STATUS: 3, SNAPSHOT: 6, BY_MASK: 5, PERMANENT: 3}
"""Sub-functions of ReadDTCInformation that may be asked for, and the bytes of such a request. All of that service only
report; it is another that clears."""
_GROUPED = frozenset((BY_MASK, PERMANENT))
_STANDARD = frozenset((0xF4, 0xF8))
_CONTINUE = 0x30


def may_be_sent(identifier: int, extended: bool, data: bytes, listed: Collection[int] = ()) -> bool:
    """Whether this frame only asks to read; `listed` are the identifiers of service 22 that the profile names."""
    if not is_request(identifier, extended) or not 1 <= len(data) <= 8:
        return False
    if data[0] == _CONTINUE:
        return identifier != FUNCTIONAL[extended] and len(data) >= 3
    length = data[0]
    body = data[1 : 1 + length]
    if not 1 <= length < len(data) or length not in _LENGTHS.get(body[0], ()):
        return False
    if body[0] == READ_CODES:
        return body[1] in _REPORTS and length == _REPORTS[body[1]] and (body[1] not in _GROUPED or body[2] == EMISSIONS)
    if body[0] != 0x22:
        return True
    asked = [int.from_bytes(body[at : at + 2], "big") for at in range(1, length, 2)]
    return all(one >> 8 in _STANDARD or one in listed for one in asked)
