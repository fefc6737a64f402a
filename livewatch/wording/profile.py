"""A profile in words: what `profile check` and `profile show` say about it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from livewatch.profile.advice import advice, missing_for_signature
from livewatch.profile.message_catalogue import identifier_text
from livewatch.profile.model import Alarm, Channel, Engine, Profile
from livewatch.profile.resolved_text import duration_text

__all__ = [
    "alarm_lines",
    "duration_text",
    "engine_line",
    "identifier_text",
    "origin_text",
    "range_text",
    "report_lines",
]


def report_lines(given: str, found: Profile) -> list[str]:
    """What is in a profile that has no mistakes, and what is worth a look."""
    signals = sum(len(message.signals) for message in found.messages)
    computed = sum(channel.formula is not None for channel in found.channels)
    own = sum(not alarm.signature for alarm in found.alarms)
    polled = sum(len(port.poll) for port in found.diagnostics)
    lines = [
        f"{given}: right. {found.name}",
        f"  {_counted(len(found.messages), 'message')} with {_counted(signals, 'signal')} on "
        f"{_counted(len(found.buses), 'bus', 'buses')}, {_counted(polled, 'polled parameter')}",
        f"  {_counted(len(found.channels), 'channel')}, {computed} of them computed",
        f"  {_counted(len(found.alarms), 'alarm')}: {own} of its own, {len(found.alarms) - own} of livewatch's own",
    ]
    lines += [f"  worth a look: {sentence}" for sentence in advice(found)]
    lines += [f"  the signature lacks {name}: {use}" for name, use in missing_for_signature(found)]
    return lines


def engine_line(engine: Engine) -> str:
    """The engine in a line."""
    return (
        f"{engine.displacement:g} L, {_counted(engine.cylinders, 'cylinder')}, {engine.induction.replace('_', ' ')}, "
        f"{engine.air_metering.replace('_', ' ')}, {engine.fuel} "
        f"(stoichiometric air-fuel ratio {engine.stoichiometric:.2f})"
    )


def origin_text(channel: Channel) -> str:
    """Where a channel comes from."""
    if channel.formula:
        return f"= {channel.formula.text}"
    if channel.parameter:
        service, identifier, name = channel.parameter
        return f"service {service:02X} {identifier:02X}, {name}"
    if channel.signal:
        bus, identifier, extended, name = channel.signal
        return f"{bus} {identifier_text(identifier, extended)} {name}"
    return "a table or MQTT"


def alarm_lines(alarm: Alarm) -> Iterator[str]:
    """What an alarm does, a sentence a line."""
    yield f"when {alarm.setpoint}"
    if alarm.enable:
        yield f"while {alarm.enable.text}"
    if alarm.suppress:
        yield f"not when {alarm.suppress.text}"
    yield f"raised after {duration_text(alarm.on_delay)}, gone after {duration_text(alarm.off_delay)}"
    yield f"do: {alarm.action}"


def range_text(ends: Iterable[float], unit: str) -> str:
    """`-25 .. 25 %`."""
    return " .. ".join(f"{end:g}" for end in ends) + f" {unit}"


def _counted(number: int, one: str, many: str = "") -> str:
    return f"{number} {one if number == 1 else many or one + 's'}"
