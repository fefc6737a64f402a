"""What a complete diagnostic answer says.

The bytes of an answer come in; the parameters in it come out, each with its own data bytes. Services 01 (SAE J1979)
and 22 (ISO 14229-1) are read; one answer may hold several parameters, which are told apart by their declared lengths,
so an identifier that is not declared ends the reading of its answer. A car that speaks SAE J1979-2 gives the standard
parameters by service 22, F400 and on: they come out as those of service 01, unless the profile declares the identifier
as something else. Negative answers come out as a count by code.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from livewatch.profile.diagnostic_port.j1979 import J1979
from livewatch.profile.model import Diagnostics, Parameter

__all__ = ["LIVE_DATA", "STANDARD_DATA", "ParameterReading", "parameters_of", "read_answer"]

LIVE_DATA = 0x01
DATA_BY_IDENTIFIER = 0x22
STANDARD_DATA = 0xF400
"""First identifier of service 22 for the parameters of SAE J1979: F400 + parameter (SAE J1979-2; from memory)."""
POSITIVE = 0x40
NEGATIVE = 0x7F
WAIT, BUSY = 0x78, 0x21

UNKNOWN = "diagnostic answers with a parameter that is not declared"
SHORT = "diagnostic answers shorter than their parameter"
OTHER_SERVICE = "diagnostic answers of services that are not decoded"
WAITING = "diagnostic answers put off (code 78)"

CODES: Mapping[int, str] = {
    0x10: "general reject",
    0x11: "service not supported",
    0x12: "sub-function not supported",
    0x13: "wrong length or format",
    0x14: "answer too long",
    0x21: "busy, repeat the request",
    0x22: "conditions not correct",
    0x24: "wrong sequence of requests",
    0x31: "request out of range",
    0x33: "access denied",
    0x7E: "sub-function not supported in this session",
    0x7F: "service not supported in this session",
}
"""Negative response codes of ISO 14229-1, from memory."""


class ParameterReading(NamedTuple):
    """One parameter found in an answer; `data` are the bytes behind its identifier."""

    service: int
    identifier: int
    data: bytes


def parameters_of(diagnostics: Diagnostics) -> dict[tuple[int, int], Parameter]:
    """Every parameter that can be told apart, by (service, identifier): those of J1979, replaced and added to by the
    declared ones."""
    return {(each.service, each.identifier): each for each in (*J1979.values(), *diagnostics.parameters)}


def read_answer(
    answer: bytes, parameters: Mapping[tuple[int, int], Parameter]
) -> tuple[list[ParameterReading], str | None]:
    """The parameters in a complete answer, and the kind of oddity met, if any."""
    service = answer[0] - POSITIVE
    if service == LIVE_DATA:
        return _parameters(answer, service, 1, parameters)
    if service == DATA_BY_IDENTIFIER:
        return _parameters(answer, service, 2, parameters)
    if answer[0] == NEGATIVE and len(answer) >= 3:
        return [], _refusal(answer[2])
    return [], OTHER_SERVICE


def _parameters(
    answer: bytes, service: int, size: int, parameters: Mapping[tuple[int, int], Parameter]
) -> tuple[list[ParameterReading], str | None]:
    found: list[ParameterReading] = []
    at = 1
    while at < len(answer):
        if at + size > len(answer):
            return found, SHORT
        identifier = int.from_bytes(answer[at : at + size], "big")
        parameter = parameters.get((service, identifier))
        if parameter is None and identifier & 0xFF00 == STANDARD_DATA:
            parameter = parameters.get((LIVE_DATA, identifier & 0xFF))
        if parameter is None:
            return found, UNKNOWN
        length = parameter.length
        data = answer[at + size : at + size + length]
        if len(data) < length:
            if not found:  # nothing before it was misread: what is there counts
                found.append(ParameterReading(parameter.service, parameter.identifier, data))
            return found, SHORT
        found.append(ParameterReading(parameter.service, parameter.identifier, data))
        at += size + length
    return found, None if found else SHORT


def _refusal(code: int) -> str:
    if code == WAIT:
        return WAITING
    meaning = CODES.get(code)
    return f"negative diagnostic answers, code {code:02X}" + (f" ({meaning})" if meaning else "")
