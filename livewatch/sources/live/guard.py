"""The last gate before anything is put on a vehicle's bus: only requests that read may pass.

A frame's identifier and data come in; whether it may be sent comes out. What may pass is a single-frame request of
ISO 15765-2 for a service that reads (SAE J1979 services 01, 02, 03, 07, 09, 0A; ISO 14229 service 22), and the flow
control frame that lets a long answer continue, both on an identifier of the diagnostic port. Whoever builds requests
keeps to that already; this holds even if it does not.
"""

from __future__ import annotations

from livewatch.profile.diagnostic_port.addresses import is_request

__all__ = ["may_be_sent"]

_READS = frozenset({0x01, 0x02, 0x03, 0x07, 0x09, 0x0A, 0x22})


def may_be_sent(identifier: int, extended: bool, data: bytes) -> bool:
    """Whether this frame only asks to read."""
    if not is_request(identifier, extended) or not 1 <= len(data) <= 8:
        return False
    kind, length = data[0] >> 4, data[0] & 0x0F
    if kind == 3:
        return True
    return kind == 0 and 1 <= length < len(data) and data[1] in _READS
