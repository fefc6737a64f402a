"""Every kind of event: as a line of the log, back from it, and in words."""

from __future__ import annotations

import json
from dataclasses import fields, replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from livewatch.data.alarm_states import State
from livewatch.data.event_json import event_of, line_of
from livewatch.data.events import (
    EVENT_KINDS,
    AlarmChanged,
    AlarmFlood,
    Event,
    Fact,
    Figure,
    FreezeFrameRead,
    MarkerSet,
    NoteWritten,
    Peak,
    PullEnded,
    SecondsBefore,
    UnknownEvent,
    parse_utc,
    utc_text,
)
from livewatch.wording.events import particulars, sentence, tone
from tests.drawn import CHARACTERS

MICROSECOND = 1000
LONGEST = 30 * 365 * 86400 * 10**6
"""Data time up to which microseconds are told exactly, in them."""

times = st.integers(0, LONGEST).map(lambda number: number * MICROSECOND)
seconds = st.floats(0.0, 1e9)
words = st.text(CHARACTERS, max_size=8)
numbers = st.floats(allow_nan=False, allow_infinity=False)
unknown = st.none() | numbers
values = st.dictionaries(words, unknown, max_size=3)
facts = st.builds(Fact, words, unknown, words, st.none() | words)
moments = {"time": times, "utc": times, "subject": words}
figures = st.lists(st.builds(Figure, words.filter(lambda name: name != "units"), st.booleans() | unknown, words),
                   min_size=1, max_size=3, unique_by=lambda figure: figure.name).map(tuple)  # fmt: skip
special: dict[type[Event], dict[str, Any]] = {
    AlarmChanged: {
        "state": st.sampled_from(State),
        "was": st.sampled_from(State),
        "because": st.none()
        | st.lists(st.builds(Fact, words, unknown, words, st.none() | words), max_size=2).map(tuple),
        "until": st.none() | numbers,
        "values": st.none() | values,
        "before": st.none()
        | st.builds(
            SecondsBefore,
            every=st.sampled_from([0.1, 0.05, 0.09, 0.2]),
            until=numbers,
            channels=st.dictionaries(words, st.lists(unknown, max_size=3), max_size=2),
        ),
    },
    FreezeFrameRead: {"values": figures},
    MarkerSet: {"at": seconds},
    NoteWritten: {"at": seconds},
    PullEnded: {
        "start": numbers,
        "end": numbers,
        "peaks": st.lists(st.builds(Peak, words, numbers, words, words), max_size=2).map(tuple),
        "boost_response": st.none() | figures,
    },
}


def any_of(kind: type[Event]) -> st.SearchStrategy[Event]:
    """Any event of a kind; numbers are finite, as events promise."""
    with_numbers = {
        field.name: unknown if "None" in str(field.type) else numbers
        for field in fields(kind)
        if "float" in str(field.type) and field.name not in special.get(kind, {})
    }
    return st.builds(kind, **{**moments, **with_numbers, **special.get(kind, {})})


@pytest.mark.parametrize("kind", EVENT_KINDS.values())
@settings(max_examples=25, deadline=None)
@given(data=st.data())
def test_every_event_comes_back_from_its_line_as_it_was(kind: type[Event], data: st.DataObject) -> None:
    event = data.draw(any_of(kind))
    line = line_of(event, 7, "2026-05-04T10:00:00.000000Z")
    assert "\n" not in line
    record = json.loads(line)
    assert (record["v"], record["seq"], record["event"]) == (1, 7, event.kind)
    assert event_of(record) == event
    assert line_of(event_of(record), 7, record["written"]) == line


@pytest.mark.parametrize("kind", EVENT_KINDS.values())
@settings(max_examples=10, deadline=None)
@given(data=st.data())
def test_every_kind_has_words(kind: type[Event], data: st.DataObject) -> None:
    event = replace(data.draw(any_of(kind)), subject="lean_under_load")
    plainest = sentence(UnknownEvent(event.time, event.utc, event.subject, event.kind, {}))
    assert sentence(event) and sentence(event) != plainest
    assert tone(event)
    assert isinstance(particulars(event), str)


def test_numbers_stand_with_their_unit_and_what_is_not_said_is_left_out() -> None:
    flood = AlarmFlood(1_500_000_000, 1_777_887_001_500_000_000, "", "began", 11, within=600.0)
    assert line_of(flood, 0) == (
        '{"v":1,"seq":0,"time":1.5,"utc":"2026-05-04T09:30:01.500000Z","event":"flood","subject":"",'
        '"what":"began","alarms":11,"within":600.0,"within_unit":"s"}'
    )


def test_an_unknown_number_is_null_and_no_number_is_ever_nan() -> None:
    pull = PullEnded(0, 0, "pull 1", 1, 0.0, 8.0, 2000, None, False, (), (Figure("overshoot", float("nan"), "kPa"),))
    record = json.loads(line_of(pull, 0))
    assert (record["to_speed"], record["speed_unit"]) == (None, "rpm")
    assert record["boost_response"] == {"overshoot": None, "units": {"overshoot": "kPa"}}


def test_a_line_with_more_fields_than_are_known_is_read_and_one_with_fewer_is_kept_as_it_is() -> None:
    note = NoteWritten(0, 0, "", "third gear", 1.5)
    record = json.loads(line_of(note, 0))
    assert event_of({**record, "author": "passenger"}) == note
    del record["at"]
    kept = event_of(record)
    assert isinstance(kept, UnknownEvent)
    assert (kept.kind, kept.fields, json.loads(line_of(kept, 0))) == ("note", {"text": "third gear"}, record)


@given(st.integers(-(10**11), 10**13).map(lambda number: number * MICROSECOND))
def test_moments_come_back_from_their_text(moment: int) -> None:
    assert parse_utc(utc_text(moment)) == moment


@pytest.mark.parametrize("text", ["", "soon", "2026-05-04", "2026-05-04T09:30:00", "epochal"])
def test_what_is_no_moment_is_none(text: str) -> None:
    assert parse_utc(text) is None
