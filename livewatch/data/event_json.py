"""Events as lines of `events.jsonl`, and back: the one place where an event is JSON.

An event goes in, one JSON object on one line comes out, without the line end; a line goes in, the same event comes out.
Every line has, before the fields of its kind (see `events`):

    v        1, the version of this format
    seq      number of the event, counted from 0, without gaps
    time     data time: seconds since the first row, microsecond digits
    utc      the source's own clock then, ISO 8601 in UTC
    event    what happened: the word of the kind
    subject  the alarm, channel or pull, empty for the run as a whole

and after them `written`, the host's clock when it went to disk, ISO 8601 in UTC: the only field that a replay changes.
Readers ignore fields they do not know; a change that would mislead such a reader gets a new version.
"""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Mapping
from functools import lru_cache
from typing import TYPE_CHECKING, Any

from livewatch.data.clock import FARTHEST
from livewatch.data.events import EVENT_KINDS, Event, Figure, FreezeFrameRead, UnknownEvent, parse_utc, utc_text

if TYPE_CHECKING:
    from pydantic import TypeAdapter

__all__ = ["EVENT_FORMAT", "beside_fields", "event_of", "line_of", "plain"]

EVENT_FORMAT = 1
COMMON = frozenset({"v", "seq", "time", "utc", "event", "subject", "written"})


def line_of(event: Event, sequence: int, written: str | None = None) -> str:
    """One line, without the line end. `written` is the wall clock when it went to disk."""
    record = {
        "v": EVENT_FORMAT,
        "seq": sequence,
        "time": round(event.time / 1e9, 6),
        "utc": utc_text(event.utc),
        "event": event.kind,
        "subject": event.subject,
        **(plain(event.fields) if isinstance(event, UnknownEvent) else plain(event)),
    }
    if written is not None:
        record["written"] = written
    return json.dumps(record, ensure_ascii=False, separators=(",", ":"), allow_nan=False)


def plain(value: Any) -> Any:
    """A record of `events` as JSON values, without the fields every line has; an unknown number is null."""
    # The commonest first: an alarm carries some thousand numbers.
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if value is None or isinstance(value, str | int):
        return value
    if isinstance(value, tuple) and value and isinstance(value[0], Figure):
        units = {figure.name: figure.unit for figure in value}
        return {**{figure.name: plain(figure.value) for figure in value}, "units": units}
    if isinstance(value, list | tuple):
        return [inner if type(inner) is float and math.isfinite(inner) else plain(inner) for inner in value]
    if isinstance(value, Mapping):
        return {key: plain(inner) for key, inner in value.items()}
    record: dict[str, Any] = {}
    kind: type = type(value)
    for name, optional, text, beside, unit in _shape(kind):
        inner = getattr(value, name)
        if inner is None and optional:
            continue
        record[name] = f"{inner:g} {text}" if text else plain(inner)
        if beside:
            record[beside] = unit
    return record


def beside_fields(kind: type) -> dict[str, str]:
    """The fields that a line of a kind has for units, and what stands in each."""
    return {beside: unit for _, _, _, beside, unit in _shape(kind) if beside}


def event_of(record: Mapping[str, Any]) -> Event:
    """The event of a line's object.

    Raises:
        ValueError, KeyError, TypeError: a field that every line has is missing or makes no sense.
    """
    utc = parse_utc(record["utc"])
    if utc is None:
        raise ValueError(f"no moment: {record['utc']!r}")
    time = round(record["time"] * 1e6) * 1000
    if abs(time) > FARTHEST:
        raise ValueError(f"no data time: {record['time']!r}")
    common = {"time": time, "utc": utc, "subject": str(record["subject"])}
    kind = str(record["event"])
    if kind in EVENT_KINDS:
        try:
            event: Event = _reader(kind).validate_python(_read({**record, **common}))
            return event
        except ValueError:  # pydantic's ValidationError is one
            pass
    return UnknownEvent(**common, said=kind, fields={key: record[key] for key in record if key not in COMMON})


def _read(record: dict[str, Any]) -> dict[str, Any]:
    """The same, where the JSON has another shape than the class."""
    before, response, values = record.get("before"), record.get("boost_response"), record.get("values")
    if isinstance(before, dict) and isinstance(before.get("every"), str):
        record["before"] = {**before, "every": before["every"].removesuffix(" s")}
    if isinstance(response, dict) and isinstance(response.get("units"), dict):
        record["boost_response"] = _figures(response)
    if record.get("event") == FreezeFrameRead.word and isinstance(values, dict):
        record["values"] = _figures(values)
    return record


def _figures(record: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Figures told together, as they stand in a line."""
    units = record.get("units", {})
    return [
        {"name": name, "value": value, "unit": units.get(name)} for name, value in record.items() if name != "units"
    ]


@lru_cache(maxsize=64)
def _shape(record: type) -> tuple[tuple[str, bool, str, str, str], ...]:
    """Of each field: its name, whether it may be left out, the unit of its text if it is one, and where to say which
    unit it is in."""
    common = {field.name for field in dataclasses.fields(Event)} if issubclass(record, Event) else ()
    return tuple(
        (
            field.name,
            field.default is None,
            field.metadata.get("text", ""),
            f"{field.name}_unit" if field.metadata.get("beside") == "" else field.metadata.get("beside") or "",
            field.metadata.get("unit", ""),
        )
        for field in dataclasses.fields(record)
        if field.name not in common
    )


@lru_cache(maxsize=64)
def _reader(kind: str) -> TypeAdapter[Any]:
    from pydantic import TypeAdapter  # late: only reading a log back needs it

    return TypeAdapter(EVENT_KINDS[kind])
