"""A resolved profile as YAML that reads back as the same profile without any other file.

Messages of DBC files are written out, defaults are spelt out, and livewatch's own alarms stand among the others, so
that a session folder keeps what was watched for even when a later livewatch watches for something else.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

import yaml

from livewatch.data.channels import CATALOGUE
from livewatch.profile.document import plain_scalar
from livewatch.profile.engine_and_authority import TRAVELS
from livewatch.profile.message_catalogue import MessageCatalogue
from livewatch.profile.model import Channel, Diagnostics, Engine, Message, Parameter, Profile, Signal
from livewatch.profile.schema import AlarmEntry

__all__ = ["duration_text", "resolved_text"]

SECOND, MILLISECOND, MICROSECOND = 1_000_000_000, 1_000_000, 1_000


class _Hexadecimal(int):
    """A number people read in hexadecimal: an identifier, a service."""


class _Dumper(getattr(yaml, "CSafeDumper", yaml.SafeDumper)):  # type: ignore[misc]
    """Writes what `document.read_document` reads."""

    def ignore_aliases(self, data: object) -> bool:
        return True


def _text(dumper: Any, value: str) -> yaml.Node:
    style = None if plain_scalar(value) == value and "\n" not in value else '"'
    node: yaml.Node = dumper.represent_scalar("tag:yaml.org,2002:str", value, style=style)
    return node


def _hexadecimal(dumper: Any, value: _Hexadecimal) -> yaml.Node:
    node: yaml.Node = dumper.represent_scalar("tag:yaml.org,2002:int", f"0x{value:X}")
    return node


_Dumper.add_representer(str, _text)
_Dumper.add_representer(_Hexadecimal, _hexadecimal)


def resolved_text(profile: Profile, alarms: Mapping[str, AlarmEntry], catalogue: MessageCatalogue) -> str:
    """The YAML of a resolved profile.

    Args:
        alarms: the entries its alarms were compiled from.
        catalogue: knows how its signals are named without doubt.
    """
    names = {alarm.name for alarm in profile.alarms}
    document: dict[str, Any] = {
        "profile": 1,
        "name": profile.name,
        "sources": dict(profile.sources),
        "engine": _engine(profile.engine),
        "tick": duration_text(profile.period),
        "lead_up": duration_text(profile.lead_up),
        "buses": {bus: list(channels) for bus, channels in profile.buses.items()},
        "decode": [_message(message) for message in profile.messages],
        "diagnostics": _diagnostics(profile.diagnostics[0]) if profile.diagnostics else None,
        "poll": [_request(request) for port in profile.diagnostics for request in port.poll],
        "channels": {channel.name: _channel(channel, profile, catalogue) for channel in profile.channels},
        "authority": {
            name: {
                "limits": _range((limit.low, limit.high), limit.unit),
                "everyday": _range(limit.everyday, limit.unit),
            }
            for name, limit in profile.authority.items()
        },
        "alarms": {name: _alarm(entry) for name, entry in alarms.items() if name in names},
        "signature_alarms": "off",
        "tables": _tables(profile),
        "mqtt": _mqtt(profile),
        "publish": _publish(profile),
        "figures": list(profile.figures),
    }
    document = {key: value for key, value in document.items() if value not in (None, [], {})}
    parts = [
        yaml.dump({key: value}, Dumper=_Dumper, sort_keys=False, allow_unicode=True, width=118)
        for key, value in document.items()
    ]
    return "".join(parts)


def duration_text(nanoseconds: int) -> str:
    """The shortest exact way to write a time: "0 s", "5 s", "300 ms"."""
    for unit, size in (("s", SECOND), ("ms", MILLISECOND), ("us", MICROSECOND)):
        if nanoseconds % size == 0:
            return f"{nanoseconds // size} {unit}"
    return f"{nanoseconds} ns"


def _number(value: float) -> str:
    return repr(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)


def _range(ends: tuple[float, float], unit: str) -> str:
    return f"{_number(ends[0])} .. {_number(ends[1])}{'' if unit == '1' else ' ' + unit}"


def _engine(engine: Engine | None) -> dict[str, Any] | None:
    if engine is None:
        return None
    entry: dict[str, Any] = {
        "displacement": f"{_number(engine.displacement)} L",
        "cylinders": engine.cylinders,
        "induction": engine.induction,
        "air_metering": engine.air_metering,
        "fuel": engine.fuel,
        "stoichiometric": engine.stoichiometric,
        "banks": engine.banks,
    }
    if engine.volumetric_efficiency:
        entry["volumetric_efficiency"] = _range(engine.volumetric_efficiency, "1")
    entry |= {TRAVELS[channel]: _range(ends, "%") for channel, ends in engine.travel.items()}
    wanted = engine.wanted_boost
    if wanted is not None:
        points = zip(wanted.speeds, wanted.pressures, strict=True)
        entry["wanted_boost"] = {
            "curve": {f"{_number(speed)} rpm": f"{_number(pressure)} kPa" for speed, pressure in points},
            "gauge": wanted.gauge,
            "tolerance": f"{_number(wanted.tolerance)} kPa",
        }
    return entry


def _message(message: Message) -> dict[str, Any]:
    return {
        "frame": _Hexadecimal(message.identifier),
        "bus": message.bus,
        "extended": message.extended,
        "name": message.name,
        "length": message.length,
        "fd": message.is_fd,
        "signals": {signal.name: _signal(signal) for signal in message.signals},
    }


def _signal(signal: Signal) -> dict[str, Any]:
    entry: dict[str, Any] = {
        "start": signal.start,
        "length": signal.length,
        "order": signal.order,
        "kind": signal.kind,
        "scale": signal.scale,
        "offset": signal.offset,
    }
    if signal.unit is not None:
        entry["unit"] = signal.unit
    if signal.multiplexer is not None:
        values = [low if low == high else [low, high] for low, high in signal.multiplexer_values]
        entry["multiplexer"] = {"signal": signal.multiplexer, "values": values}
    if signal.value_table:
        entry["values"] = dict(signal.value_table)
    if signal.invalid:
        entry["invalid"] = list(signal.invalid)
    if signal.curve:
        entry["curve"] = [list(point) for point in zip(*signal.curve, strict=True)]
    return entry


def _diagnostics(port: Diagnostics) -> dict[str, Any]:
    entry: dict[str, Any] = {
        "bus": port.bus,
        "request": _Hexadecimal(port.request),
        "extended": port.extended,
    }
    if port.answers:
        entry["answers"] = [_Hexadecimal(answer) for answer in port.answers]
    if read := [_parameter(parameter) for parameter in port.parameters if parameter.service == 0x22]:
        entry["read"] = read
    return entry


def _parameter(parameter: Parameter) -> dict[str, Any]:
    return {
        "service": _Hexadecimal(parameter.service),
        "did": _Hexadecimal(parameter.identifier),
        "name": parameter.name,
        "length": parameter.length,
        "signals": {signal.name: _signal(signal) for signal in parameter.signals},
    }


def _request(request: Any) -> dict[str, Any]:
    kind = "pid" if request.service == 0x01 else "did"
    return {
        "service": _Hexadecimal(request.service),
        kind: _Hexadecimal(request.identifier),
        "every": duration_text(request.every),
        **({} if request.priority == "medium" else {"priority": request.priority}),
    }


def _channel(channel: Channel, profile: Profile, catalogue: MessageCatalogue) -> dict[str, Any]:
    entry: dict[str, Any] = {}
    if channel.signal:
        entry["signal"] = catalogue.reference(channel.signal)
    elif channel.parameter:
        service, identifier, name = channel.parameter
        kind = "pid" if service == 0x01 else "did"
        entry["parameter"] = {"service": _Hexadecimal(service), kind: _Hexadecimal(identifier), "signal": name}
        if service == 0x01:
            parameters = profile.diagnostics[0].parameters
            parameter = next(
                known for known in parameters if (known.service, known.identifier) == (service, identifier)
            )
            signal = next(signal for signal in parameter.signals if signal.name == name)
            if signal.invalid:
                entry["invalid"] = list(signal.invalid)
    elif channel.formula:
        entry["formula"] = channel.formula.text
    known = CATALOGUE.get(channel.name)
    if known is None:
        entry["unit"] = channel.unit
    if not math.isinf(channel.valid[0]):
        entry["valid"] = _range(channel.valid, channel.unit)
    entry["stale_after"] = duration_text(channel.stale_after)
    if channel.meaning != (known.meaning if known else ""):
        entry["meaning"] = channel.meaning
    if not channel.declared:
        entry["declared"] = False
    return entry


def _alarm(entry: AlarmEntry) -> dict[str, Any]:
    written = {
        "while": entry.enabled_while,
        "condition": entry.condition,
        "deadband": entry.deadband,
        "on_delay": duration_text(entry.on_delay),
        "off_delay": duration_text(entry.off_delay),
        "priority": entry.priority,
        "latching": entry.latching,
        "action": entry.action,
        "message": entry.message or None,
        "suppress_when": entry.suppress_when,
        "signature": entry.signature or None,
    }
    return {key: value for key, value in written.items() if value is not None}


def _tables(profile: Profile) -> dict[str, Any]:
    columns = {
        name: {"column": column} if unit is None else {"column": column, "unit": unit}
        for name, (column, unit) in profile.tables.columns.items()
    }
    entry = {"columns": columns, "time": profile.tables.time, "time_unit": profile.tables.time_unit}
    return {key: value for key, value in entry.items() if value not in (None, {})}


def _mqtt(profile: Profile) -> dict[str, Any] | None:
    mapping = profile.mqtt
    if not mapping.channels:
        return None
    channels = {
        name: {key: value for key, value in asdict(entry).items() if value not in (None, "")}
        for name, entry in mapping.channels.items()
    }
    return {"channels": channels, "window": duration_text(mapping.window)}


def _publish(profile: Profile) -> dict[str, Any] | None:
    wanted = profile.publish
    if wanted is None:
        return None
    entry = {
        "broker": wanted.broker,
        "station": wanted.station,
        "channels": list(wanted.channels),
        "every": duration_text(wanted.every),
        "frames": wanted.rows,
        "acknowledge": wanted.acknowledge,
    }
    return {key: value for key, value in entry.items() if value not in ("", [])}
