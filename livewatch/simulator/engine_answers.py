"""What an engine computer answers to each diagnostic request that reads.

In: a request's bytes, the moment, and a source of values. Out: the answer's bytes, or nothing where the standards want
silence. SAE J1979 services 01, 02, 03, 07, 09 and 0A, and ISO 14229 service 22, or as SAE J1979-2 has it services 22
and 19 of ISO 14229 alone. Nothing is ever changed by a request: there is no service here that clears, writes, actuates
or opens a session, and one that tries is refused.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from math import isnan
from typing import Protocol

from livewatch.profile.diagnostic_port.answers import POSITIVE, STANDARD_DATA
from livewatch.profile.diagnostic_port.fault_codes import code_bytes, code_text
from livewatch.profile.diagnostic_port.j1979 import J1979, J1979_CHANNELS
from livewatch.profile.diagnostic_port.self_knowledge import (
    BY_MASK,
    BY_STATUS,
    CONFIRMED,
    FREEZE_FRAME_PARAMETERS,
    PENDING,
    PERMANENT,
    READ_CODES,
    SNAPSHOT,
    VEHICLE_INFORMATION,
)
from livewatch.profile.model import Channel, Parameter
from livewatch.simulator.packing import placed, raw_number

__all__ = ["VEHICLE", "EngineAnswers", "Values", "refusal"]

SERVICE_NOT_SUPPORTED, SUBFUNCTION_NOT_SUPPORTED, WRONG_LENGTH, OUT_OF_RANGE = 0x11, 0x12, 0x13, 0x31
MOST_AT_ONCE = 6
DTC_FORMAT = 0x04
"""Codes of SAE J2012-DA in three bytes (ISO 14229-1)."""
VEHICLE_NUMBER = b"00LWTEST000000001"
"""Begins with a zero, which no maker has (ISO 3780)."""
CALIBRATION_NAME = b"LIVEWATCH-SIM-01"
CALIBRATION_NUMBER = bytes.fromhex("5EED0001")
UNIT_NAME = b"ECM\x00-EngineControl\x00\x00"


class Values(Protocol):
    """Where the numbers come from."""

    def value(self, channel: str, time: float) -> float:
        """A catalogue channel at `time` (s), in the catalogue's unit; NaN where the car has no such value."""

    def confirmed(self, time: float) -> Sequence[str]:
        """Confirmed fault codes, in the order they were set."""

    def pending(self, time: float) -> Sequence[str]:
        """Pending fault codes."""


def refusal(service: int, reason: int) -> bytes:
    """Negative response (ISO 14229-1)."""
    return bytes((0x7F, service, reason))


class EngineAnswers:
    """The answers of one engine computer.

    Args:
        values: where numbers come from.
        parameters: service 22 identifiers by number, with the channels bound to their signals.
        channels: bindings of those, from the profile.
        modern: whether the standard parameters are given by service 22 alone (SAE J1979-2), F4xx and F8xx, and codes by
            service 19.
        vehicle: what the kinds of service 09 say, by their number.
    """

    def __init__(
        self,
        values: Values,
        parameters: Iterable[Parameter] = (),
        channels: Iterable[Channel] = (),
        modern: bool = False,
        vehicle: Mapping[int, bytes] | None = None,
    ) -> None:
        self._values = values
        self._modern = modern
        self._vehicle_says = VEHICLE if vehicle is None else vehicle
        self._listed = {one.identifier: one for one in parameters if one.service == 0x22}
        self._bound = {
            channel.parameter[1:]: channel
            for channel in channels
            if channel.parameter is not None and channel.parameter[0] == 0x22
        }
        self.supported = sorted(pid for pid, one in J1979.items() if pid % 0x20 and self._has(one))
        self._frozen: tuple[str, float] | None = None

    def answer(self, request: bytes, time: float, functional: bool) -> bytes | None:
        """The answer, None for silence. A functional request (to all units) is not refused (ISO 14229-1, 7.5)."""
        service = request[0]
        if self._modern and service == READ_CODES:
            result = self._codes(request[1:], time)
        elif self._modern and service != 0x22:
            result = refusal(service, SERVICE_NOT_SUPPORTED)
        elif service == 0x01:
            result = self._current(request[1:], time)
        elif service == 0x02:
            result = self._freeze_frame(request[1:], time)
        elif service in (0x03, 0x07, 0x0A) and len(request) == 1:
            # Permanent codes are those confirmed that nobody can clear by command (SAE J1979, service 0A).
            codes = self._values.pending(time) if service == 0x07 else self._values.confirmed(time)
            result = bytes((service + 0x40, len(codes))) + b"".join(map(code_bytes, codes))
        elif service == 0x09:
            result = self._vehicle(request[1:])
        elif service == 0x22:
            result = self._by_identifier(request[1:], time)
        elif service in (0x03, 0x07, 0x0A):
            result = refusal(service, WRONG_LENGTH)
        else:
            result = refusal(service, SERVICE_NOT_SUPPORTED)
        if functional and result[0] == 0x7F:
            return None
        return result

    def parameter(self, pid: int, time: float) -> bytes:
        """Data bytes of a service 01 parameter."""
        return self._special(pid, time) or self._encode(J1979[pid], _plain_channels(J1979[pid]), time)

    def _current(self, asked: bytes, time: float) -> bytes:
        if not 1 <= len(asked) <= MOST_AT_ONCE:
            return refusal(0x01, WRONG_LENGTH)
        body = b""
        for pid in asked:
            if pid % 0x20 == 0:
                body += self._bitmap(pid, self.supported, J1979)
            elif pid in self.supported:
                body += bytes((pid,)) + self.parameter(pid, time)
        return bytes((0x41,)) + body if body else refusal(0x01, SUBFUNCTION_NOT_SUPPORTED)

    def _freeze_frame(self, asked: bytes, time: float) -> bytes:
        if not asked or len(asked) % 2 or len(asked) > 2 * 3:
            return refusal(0x02, WRONG_LENGTH)
        self._freeze(time)
        body = b""
        for pid, frame in zip(asked[::2], asked[1::2], strict=True):
            if frame != 0:
                continue
            if pid % 0x20 == 0:
                bitmap = self._bitmap(pid, [0x02, *self.supported], J1979)
                body += bitmap[:1] + b"\x00" + bitmap[1:] if bitmap else b""
            elif pid == 0x02:
                body += bytes((pid, frame)) + (code_bytes(self._frozen[0]) if self._frozen else bytes(2))
            elif pid in self.supported and self._frozen is not None:
                body += bytes((pid, frame)) + self.parameter(pid, self._frozen[1])
        return bytes((0x42,)) + body if body else refusal(0x02, SUBFUNCTION_NOT_SUPPORTED)

    def _freeze(self, time: float) -> None:
        """Keep the moment at which the first code was found to be confirmed."""
        confirmed = self._values.confirmed(time)
        if not confirmed:
            self._frozen = None
        elif self._frozen is None:
            self._frozen = (confirmed[0], time)

    def _codes(self, asked: bytes, time: float) -> bytes:
        """Service 19: codes with their status, of no particular severity or failure type; a snapshot of the first."""
        if len(asked) < 2:
            return refusal(READ_CODES, WRONG_LENGTH)
        report, status = asked[0], dict.fromkeys(self._values.confirmed(time), CONFIRMED)
        for code in self._values.pending(time):
            status[code] = status.get(code, 0) | PENDING
        head = bytes((READ_CODES + POSITIVE, report))
        if report == BY_STATUS and len(asked) == 2:
            listed = [code_bytes(code) + bytes((0, bits)) for code, bits in status.items() if bits & asked[1]]
            return head + b"\xff" + b"".join(listed)
        if report == BY_MASK and len(asked) == 4:
            listed = [code_bytes(code) + bytes((0, bits)) for code, bits in status.items() if bits & asked[2]]
            return head + bytes((asked[1], 0xFF, 0xFF, DTC_FORMAT)) + b"".join(b"\x02" + one for one in listed)
        if report == PERMANENT and len(asked) == 2:
            listed = [code_bytes(code) + bytes((0, bits)) for code, bits in status.items() if bits & CONFIRMED]
            return head + bytes((asked[1], 0xFF, DTC_FORMAT)) + b"".join(listed)
        if report != SNAPSHOT or len(asked) != 5:
            return refusal(READ_CODES, SUBFUNCTION_NOT_SUPPORTED)
        self._freeze(time)
        code, kept = code_text(asked[1:4]), self._frozen
        answer = head + asked[1:4] + bytes((status.get(code, 0),))
        if kept is None or kept[0] != code:
            return answer
        frozen = [pid for pid in FREEZE_FRAME_PARAMETERS if pid in self.supported]
        record = b"".join((STANDARD_DATA + pid).to_bytes(2, "big") + self.parameter(pid, kept[1]) for pid in frozen)
        return answer + bytes((0, len(frozen))) + record

    def _vehicle(self, asked: bytes) -> bytes:
        if len(asked) != 1:
            return refusal(0x09, WRONG_LENGTH)
        kind = asked[0]
        if kind == 0x00:
            return bytes((0x49,)) + self._bitmap(0, sorted(self._vehicle_says), {0: None})
        if kind not in self._vehicle_says:
            return refusal(0x09, SUBFUNCTION_NOT_SUPPORTED)
        return bytes((0x49, kind, 1)) + self._vehicle_says[kind]

    def _by_identifier(self, asked: bytes, time: float) -> bytes:
        if not asked or len(asked) % 2:
            return refusal(0x22, WRONG_LENGTH)
        body = b""
        for at in range(0, len(asked), 2):
            identifier = int.from_bytes(asked[at : at + 2], "big")
            parameter = self._listed.get(identifier)
            if parameter is None and self._modern:
                body += self._standard(identifier, time)
            elif parameter is not None:
                bound = {signal.name: self._bound.get((identifier, signal.name)) for signal in parameter.signals}
                body += asked[at : at + 2] + self._encode(parameter, bound, time)
        return bytes((0x62,)) + body if body else refusal(0x22, OUT_OF_RANGE)

    def _standard(self, identifier: int, time: float) -> bytes:
        """What SAE J1979-2 gives by service 22; nothing for what there is not."""
        kind, low = identifier & 0xFF00, identifier & 0xFF
        said = b""
        if kind == STANDARD_DATA and low % 0x20 == 0:
            said = self._bitmap(low, self.supported, J1979)[1:]
        elif kind == STANDARD_DATA and low in self.supported:
            said = self.parameter(low, time)
        elif kind == VEHICLE_INFORMATION and low in self._vehicle_says:
            said = b"\x01" + self._vehicle_says[low]
        return identifier.to_bytes(2, "big") + said if said else b""

    def _bitmap(self, first: int, supported: Sequence[int], known: Mapping[int, object]) -> bytes:
        """Which of the 32 parameters after `first` there are, and whether there is a bitmap after it (SAE J1979)."""
        bits = sum(1 << (0x20 - (pid - first)) for pid in supported if first < pid < first + 0x20)
        if any(pid > first + 0x20 for pid in supported) and first + 0x20 in known:
            bits |= 1
        return bytes((first,)) + bits.to_bytes(4, "big") if bits or first == 0 else b""

    def _special(self, pid: int, time: float) -> bytes | None:
        """Parameters that are states rather than numbers."""
        if pid == 0x01:
            codes = len(self._values.confirmed(time))
            return bytes(((0x80 if codes else 0) | min(codes, 127), 0x07, 0xE1, 0x00))
        if pid == 0x03:
            status = self._values.value("fuel_system_status", time)
            return bytes((0 if isnan(status) else int(status), 0))
        if pid == 0x13:
            second = 0x30 if not isnan(self._values.value("short_term_fuel_trim_2", time)) else 0
            return bytes((0x03 | second,))
        if pid == 0x1C:
            return b"\x06"
        if pid == 0x51:
            return b"\x01"
        return None

    def _has(self, parameter: Parameter) -> bool:
        if parameter.identifier in (0x01, 0x03, 0x13, 0x1C, 0x51):
            return True
        channels = [J1979_CHANNELS.get((parameter.identifier, signal.name)) for signal in parameter.signals]
        return any(name is not None and not isnan(self._values.value(name, 0.0)) for name in channels)

    def _encode(self, parameter: Parameter, bound: Mapping[str, Channel | str | None], time: float) -> bytes:
        """Invert the parameter's signals; those nothing is bound to stay 0, and so do their support bits."""
        length, data = parameter.length, 0
        present: dict[str, bool] = {}
        for signal in parameter.signals:
            if signal.is_multiplexer:
                continue
            channel = bound.get(signal.name)
            if channel is None:
                number = self._companion(signal.name, time)
            elif isinstance(channel, str):
                number = self._values.value(channel, time)
            else:
                number = (self._values.value(channel.name, time) - channel.offset) / channel.scale
            if signal.multiplexer is not None:
                present[signal.multiplexer] = not isnan(number)
            if isnan(number) and not signal.invalid:
                continue
            data |= placed(signal, raw_number(signal, number), length)
        for signal in parameter.signals:
            if signal.is_multiplexer and present.get(signal.name):
                data |= placed(signal, 1, length)
        return data.to_bytes(length, "big")

    def _companion(self, name: str, time: float) -> float:
        """Values that stand beside a channel in one parameter and have no channel of their own."""
        bank = "2" if "bank_2" in name else "1"
        if name.startswith("oxygen_sensor_current"):
            # Pumping current of a wideband sensor in mA, about 1.6 mA at lambda 2 (common practice).
            away = self._values.value(f"lambda_{bank}", time) - 1.0
            return 1.6 * away if away > 0.0 else 4.0 * away
        if name.startswith("oxygen_sensor_voltage"):
            away = self._values.value(f"lambda_{bank}", time) - 1.0
            return 2.5 + (1.0 * away if away > 0.0 else 2.5 * away)
        return float("nan")


def _plain_channels(parameter: Parameter) -> dict[str, Channel | str | None]:
    return {signal.name: J1979_CHANNELS.get((parameter.identifier, signal.name)) for signal in parameter.signals}


VEHICLE: Mapping[int, bytes] = {
    0x02: VEHICLE_NUMBER,
    0x04: CALIBRATION_NAME,
    0x06: CALIBRATION_NUMBER,
    0x0A: UNIT_NAME,
}
