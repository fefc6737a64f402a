"""The diagnostic port of a profile: which answers are understood there, and what is asked for.

The `diagnostics` and `poll` entries come in; a `DiagnosticPort` goes out, in which channels find the parameter they
name. Service 01 comes from the SAE J1979 catalogue; service 22 only as the profile lists it. Nothing but reading
services is ever accepted: livewatch only reads.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from livewatch.errors import nearest
from livewatch.profile.document import Document, KeyPath
from livewatch.profile.message_catalogue import last_byte, signals_of
from livewatch.profile.model import Diagnostics, Parameter, PollRequest, Signal
from livewatch.profile.schema import ParameterEntry, PollEntry, ProfileFile

__all__ = ["READING_SERVICES", "DiagnosticPort", "ParameterKey", "read_port"]

READING_SERVICES = (0x01, 0x02, 0x03, 0x07, 0x09, 0x0A, 0x22)
"""Services that only read (SAE J1979, ISO 14229-1)."""
POLLED_SERVICES = (0x01, 0x22)

ParameterKey = tuple[int, int, str]
"""Service, identifier, signal name."""


class DiagnosticPort:
    """Every parameter that is understood.

    Attributes:
        parameters: by (service, identifier).
        poll: what to ask for, in the order it was written.
    """

    def __init__(self) -> None:
        from livewatch.profile.diagnostic_port.j1979 import J1979

        self.parameters: dict[tuple[int, int], Parameter] = {(0x01, pid): entry for pid, entry in J1979.items()}
        self.poll: list[PollRequest] = []
        self._signals: dict[ParameterKey, Signal] = {}

    def add(self, parameter: Parameter) -> None:
        """Take in a parameter that the profile lists."""
        self.parameters[(parameter.service, parameter.identifier)] = parameter

    def find(self, entry: ParameterEntry, channel: str) -> ParameterKey | str:
        """The signal that a channel's `parameter` names, or what is wrong with it. Without a signal name it is the only
        one there is, or the one that the catalogue has for this channel."""
        from livewatch.profile.diagnostic_port.j1979 import J1979_CHANNELS

        identifier = entry.pid if entry.service == 0x01 else entry.did
        if identifier is None:
            return f"service {entry.service:#04x} needs {'pid' if entry.service == 0x01 else 'did'}"
        parameter = self.parameters.get((entry.service, identifier))
        if parameter is None:
            return _unknown(entry.service, identifier)
        names = [signal.name for signal in parameter.signals if not signal.is_multiplexer]
        wanted = entry.signal
        if wanted is None:
            known = [name for name in names if J1979_CHANNELS.get((identifier, name)) == channel]
            only = known if entry.service == 0x01 and len(known) == 1 else names
            if len(only) != 1:
                return (
                    f"{parameter.name} has {len(names)} signals: add signal: with one of {', '.join(names) or 'none'}"
                )
            wanted = only[0]
        if wanted not in names:
            return f"unknown signal {wanted!r} in {parameter.name}{nearest(wanted, names)}"
        return (entry.service, identifier, wanted)

    def signal(self, key: ParameterKey) -> Signal:
        """The signal as it is known so far."""
        if key not in self._signals:
            parameter = self.parameters[key[:2]]
            self._signals[key] = next(signal for signal in parameter.signals if signal.name == key[2])
        return self._signals[key]

    def change(self, key: ParameterKey, signal: Signal) -> None:
        """What a signal is known to be from here on."""
        self._signals[key] = signal

    def every(self, service: int, identifier: int) -> int | None:
        """Nanoseconds between requests for a parameter; None when it is not polled."""
        return min((p.every for p in self.poll if (p.service, p.identifier) == (service, identifier)), default=None)

    def finished(self, bus: str, request: int, extended: bool, answers: Iterable[int]) -> Diagnostics:
        """The port with its signals as known now."""
        parameters = tuple(
            replace(
                parameter,
                signals=tuple(self._signals.get((*key, signal.name), signal) for signal in parameter.signals),
            )
            for key, parameter in sorted(self.parameters.items())
        )
        return Diagnostics(bus, request, extended, tuple(sorted(set(answers))), parameters, tuple(self.poll))


def read_port(file: ProfileFile, document: Document) -> DiagnosticPort:
    """Every parameter, and the checked poll list. Mistakes are noted in the document."""
    port = DiagnosticPort()
    if file.diagnostics:
        listed: dict[int, str] = {}
        for position, entry in enumerate(file.diagnostics.read):
            path: KeyPath = ("diagnostics", "read", position)
            signals = signals_of(entry.signals, document, (*path, "signals"))
            for signal in signals:
                if last_byte(signal) >= entry.length:
                    problem = f"reaches into byte {last_byte(signal)}, but the answer has {entry.length} bytes"
                    document.wrong((*path, "signals", signal.name), f"signal {signal.name} {problem}", key=True)
            if entry.did in listed:
                document.wrong((*path, "did"), f"0x{entry.did:04X} is listed twice: {listed[entry.did]} has it too")
            listed[entry.did] = entry.name
            port.add(Parameter(0x22, entry.did, entry.name, entry.length, signals))
    for position, request in enumerate(file.poll):
        _add_request(port, request, document, ("poll", position))
    return port


def _add_request(port: DiagnosticPort, entry: PollEntry, document: Document, path: KeyPath) -> None:
    service = entry.service
    if service not in READING_SERVICES:
        reading = ", ".join(f"0x{known:02X}" for known in READING_SERVICES)
        document.wrong((*path, "service"), f"service 0x{service:02X} is refused: livewatch only reads ({reading})")
        return
    if service not in POLLED_SERVICES:
        problem = f"service 0x{service:02X} cannot be polled again and again: expected 0x01, or 0x22 with a listed did"
        document.wrong((*path, "service"), problem)
        return
    wanted, other = ("pid", "did") if service == 0x01 else ("did", "pid")
    identifier = entry.pid if service == 0x01 else entry.did
    if identifier is None or getattr(entry, other) is not None:
        document.wrong(path, f"service 0x{service:02X} needs {wanted}, and no {other}")
        return
    if (service, identifier) not in port.parameters:
        listed = ("diagnostics", "read")
        lost = any(broken[:2] == listed or broken == listed[:1] for broken in document.broken)
        if not (lost and service == 0x22):
            document.wrong((*path, wanted), _unknown(service, identifier))
        return
    if any((known.service, known.identifier) == (service, identifier) for known in port.poll):
        document.wrong((*path, wanted), f"service 0x{service:02X}, {wanted} 0x{identifier:02X} is polled twice")
        return
    port.poll.append(PollRequest(service, identifier, entry.every, entry.priority))


def _unknown(service: int, identifier: int) -> str:
    if service == 0x01:
        return f"unknown parameter: SAE J1979 service 0x01 has no pid 0x{identifier:02X} that livewatch knows"
    return f"unknown parameter: did 0x{identifier:04X} is not listed under diagnostics: read"
