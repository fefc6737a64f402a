"""The published schema is that of what is really sent."""

from __future__ import annotations

import json

import jsonschema

from livewatch.data.event_json import line_of
from livewatch.publish.schema import message_schema
from livewatch.run.run import Run
from livewatch.sources.mqtt.messages import MESSAGES, Status


def test_every_event_of_a_drive_is_as_its_schema_says(car, drive) -> None:
    run = Run(car)
    events = [*run.push(drive(20)), *run.close()]
    schema = message_schema()["topics"]["livewatch/1/STATION/events/SESSION"]
    check = jsonschema.Draft202012Validator(schema)
    for number, event in enumerate(events):
        errors = list(check.iter_errors(json.loads(line_of(event, number, "2026-05-04T09:30:00.000000Z"))))
        assert not errors, (event.kind, errors[0].message)
    assert {event.kind for event in events} >= {"started", "alarm", "ended"}
    assert list(check.iter_errors({"v": 1, "seq": 0, "event": "alarm"}))


def test_every_kind_of_message_has_a_schema() -> None:
    topics = message_schema()["topics"]
    for kind in MESSAGES:
        assert any(name.split("/")[3] == kind for name in topics), kind
    status = Status(session="s", state="watching", car="car").model_dump(mode="json")
    jsonschema.Draft202012Validator(topics["livewatch/1/STATION/status"]).validate(status)
