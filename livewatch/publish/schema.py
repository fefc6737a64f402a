"""The messages as JSON Schema, made from the types themselves.

Nothing comes in; a JSON Schema (draft 2020-12) for every topic comes out: those of `sources.mqtt.messages` as pydantic
gives them, the lines of events from the classes of `data.events`, rows in words.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pydantic import TypeAdapter

from livewatch.data.event_json import EVENT_FORMAT, beside_fields
from livewatch.data.events import EVENT_KINDS, Event
from livewatch.sources.mqtt import rows_message
from livewatch.sources.mqtt.messages import MESSAGES
from livewatch.sources.mqtt.topics import ROOT

__all__ = ["message_schema"]

_COMMON: Mapping[str, Any] = {
    "v": {"const": EVENT_FORMAT},
    "seq": {"type": "integer", "minimum": 0, "description": "number in its session, from 0, without gaps"},
    "time": {"type": "number", "description": "data time, s since the first row"},
    "utc": {"type": "string", "description": "the source's own clock then, ISO 8601"},
    "subject": {"type": "string"},
    "written": {"type": "string", "description": "the station's clock when it went to disk, ISO 8601"},
}


def message_schema() -> dict[str, Any]:
    """One object: `topics`, each with its schema."""
    topics: dict[str, Any] = {}
    for kind, model in MESSAGES.items():
        name = f"{ROOT}/STATION/{kind}" + ("/ALARM" if kind == "alarms" else "")
        topics[name] = {"$id": f"livewatch:1:{kind}", **model.model_json_schema(mode="serialization")}
    topics[f"{ROOT}/STATION/events/SESSION"] = {"oneOf": [_event(word, kind) for word, kind in EVENT_KINDS.items()]}
    topics[f"{ROOT}/STATION/profile"] = {"contentMediaType": "application/yaml", "description": "the resolved profile"}
    topics[f"{ROOT}/STATION/rows/SESSION"] = {
        "contentMediaType": "application/msgpack",
        "contentEncoding": "zlib",
        "description": (rows_message.__doc__ or "").strip(),
    }
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", "version": 1, "topics": topics}


def _event(word: str, kind: type[Event]) -> dict[str, Any]:
    """The lines of one kind of event."""
    schema = TypeAdapter(kind).json_schema()
    own = {name: entry for name, entry in schema["properties"].items() if name not in ("time", "utc", "subject")}
    required = [name for name in schema["required"] if name in own]
    for name, unit in beside_fields(kind).items():
        own[name] = {"const": unit}
    if "boost_response" in own:
        # In a line the figures are names of their own, and their units stand under `units`.
        own["boost_response"] = {"type": ["object", "null"], "properties": {"units": {"type": "object"}}}
    definitions = schema.get("$defs", {})
    if "SecondsBefore" in definitions:
        before = definitions["SecondsBefore"]["properties"]
        before["every"] = {"type": "string", "description": "seconds between points, with the unit: `0.01 s`"}
    description = " ".join((kind.__doc__ or "").split())
    return {
        "$id": f"livewatch:1:events:{word}",
        "title": kind.__name__,
        "description": description,
        "type": "object",
        "properties": {**_COMMON, "event": {"const": word}, **own},
        "required": ["v", "seq", "time", "utc", "event", "subject", *required],
        **({"$defs": definitions} if definitions else {}),
    }
