"""Reading an event log: what is told, what is left out, what it amounts to."""

from __future__ import annotations

import json

import pytest

from livewatch.alarms.load import Load
from livewatch.data.alarm_states import State
from livewatch.data.event_json import line_of
from livewatch.data.events import AlarmChanged, Event, OdditiesCounted, RunEnded, RunStarted, UnknownEvent, parse_utc
from livewatch.errors import SourceError
from livewatch.session import open_log, summarise
from livewatch.session.log_filter import LogFilter, Moment
from livewatch.wording.events import sentence

SECOND = 1_000_000_000
START = 1_777_887_000 * SECOND


def at(second: float, kind: type[Event], *fields, subject: str = "", **more) -> Event:
    return kind(round(second * SECOND), START + round(second * SECOND), subject, *fields, **more)


def alarm(
    second: float, name: str, transition: str, state: str, priority: str = "high", first_out=False, **more
) -> Event:
    was = State.NORMAL if transition == "raised" else State.UNACKNOWLEDGED
    fields = (transition, State(state), was, priority, first_out, f"{name} > 1", "", "")
    return at(second, AlarmChanged, *fields, subject=name, **more)


def logged(tmp_path, *events: Event, tail: str = ""):
    text = "".join(line_of(one, number, "2026-05-04T10:00:00.000000Z") + "\n" for number, one in enumerate(events))
    (tmp_path / "events.jsonl").write_text(text + tail, encoding="utf-8")
    return open_log(tmp_path / "events.jsonl")


DRIVE = (
    at(0, RunStarted, "Brackwell", 3, 2, 0.01),
    alarm(10, "lean", "raised", "unacknowledged alarm", "critical", first_out=True),
    alarm(11, "hot", "raised", "unacknowledged alarm"),
    alarm(12.5, "lean", "acknowledged", "acknowledged alarm", "critical"),
    at(13, OdditiesCounted, {"error frames": 2}),
    alarm(14.25, "lean", "returned to normal", "normal", "critical"),
    alarm(20, "hot", "returned to normal", "returned to normal unacknowledged"),
    alarm(25, "hot", "raised", "unacknowledged alarm"),
    alarm(26, "hot", "shelved", "shelved", reason="sensor is loose"),
    alarm(30, "hot", "acknowledged", "normal"),
    alarm(40, "lean", "raised", "unacknowledged alarm", "critical"),
    at(60, RunEnded, 100, 6000, {"error frames": 3}),
)


def test_every_field_comes_back(tmp_path):
    log = logged(tmp_path, *DRIVE)
    read = list(log)
    assert len(read) == len(DRIVE)
    first_alarm = read[1]
    assert (first_alarm.sequence, first_alarm.written) == (1, "2026-05-04T10:00:00.000000Z")
    assert [one.event for one in read] == list(DRIVE)
    assert json.loads(first_alarm.line)["utc"] == "2026-05-04T09:30:10.000000Z"
    assert list(log) == read, "a log can be gone over again"


def test_lines_that_are_no_events_are_counted_and_the_rest_is_read(tmp_path):
    good = [line_of(one, number) for number, one in enumerate(DRIVE)]
    spoilt = [good[0], "", "{", "[1]", '{"v":1}', '{"v":1,"seq":"x"}', "\x00\x00", good[1], '{"v":1,"seq":2,"ti']
    (tmp_path / "events.jsonl").write_text("\n".join(spoilt), encoding="utf-8")
    log = open_log(tmp_path)
    assert [one.sequence for one in log] == [0, 1]
    assert log.counts == {"lines that are not events": 6, "last line of the event log cut off": 1}


def test_an_event_of_a_kind_nobody_knows_yet_is_kept(tmp_path):
    log = logged(
        tmp_path,
        tail='{"v":1,"seq":0,"time":1.0,"utc":"2026-05-04T09:30:01.000000Z","event":"eclipse","subject":"sun","depth":0.7}\n',
    )
    (one,) = log
    assert (one.event.kind, one.event.fields, one.event.time) == ("eclipse", {"depth": 0.7}, SECOND)
    assert sentence(one.event) == "eclipse sun"
    assert line_of(one.event, 0) == one.line


def test_an_event_without_its_fields_is_kept_as_one_that_nobody_knows(tmp_path):
    log = logged(tmp_path, tail='{"v":1,"seq":0,"time":1,"utc":"2026-05-04T09:30:01Z","event":"flood","subject":""}\n')
    (one,) = log
    assert isinstance(one.event, UnknownEvent)
    assert (sentence(one.event), summarise([one.event]).events) == ("flood", {"flood": 1})


def test_a_log_of_a_newer_format_is_refused(tmp_path):
    log = logged(tmp_path, DRIVE[0], tail='{"v":2,"seq":1}\n')
    with pytest.raises(SourceError) as caught:
        list(log)
    assert str(caught.value) == (
        f"{tmp_path / 'events.jsonl'}:2: event format version 2, this livewatch reads up to 1; use a newer livewatch"
    )


def message(path) -> str:
    with pytest.raises(SourceError) as caught:
        open_log(path)
    return str(caught.value)


def test_what_is_no_event_log(tmp_path):
    assert message(tmp_path / "nowhere") == f"{tmp_path / 'nowhere'}: there is no such file"
    assert message(tmp_path) == f"{tmp_path}: this is no session folder: there is no events.jsonl in it"
    (tmp_path / "drive.log").write_text("(1.0) can0 1A4#00\n")
    assert message(tmp_path / "drive.log") == (
        f"{tmp_path / 'drive.log'}: this is no event log: expected one JSON object a line, as in events.jsonl"
    )
    (tmp_path / "events.jsonl").mkdir()
    assert message(tmp_path) == f"{tmp_path / 'events.jsonl'}: this is a directory, expected an event log"


def test_an_empty_log_is_a_log(tmp_path):
    log = logged(tmp_path)
    assert list(log) == []
    assert summarise([]).events == {}


@pytest.mark.parametrize(
    "wanted,sequences",
    [
        (LogFilter(), list(range(12))),
        (LogFilter(kinds=frozenset({"oddity", "ended"})), [4, 11]),
        (LogFilter(subjects=frozenset({"hot"})), [2, 6, 7, 8, 9]),
        (LogFilter(priorities=frozenset({"critical"})), [1, 3, 5, 10]),
        (LogFilter(start=Moment(time=25 * SECOND)), [7, 8, 9, 10, 11]),
        (LogFilter(stop=Moment(time=11 * SECOND)), [0, 1, 2]),
        (
            LogFilter(start=Moment(utc=parse_utc("2026-05-04T09:30:12.500000Z")), stop=Moment(time=14_250_000_000)),
            [3, 4, 5],
        ),
        (LogFilter(kinds=frozenset({"alarm"}), subjects=frozenset({"hot"}), stop=Moment(time=20 * SECOND)), [2, 6]),
    ],
)
def test_only_what_is_asked_for(tmp_path, wanted, sequences):
    assert [one.sequence for one in logged(tmp_path, *DRIVE) if wanted.passes(one.event)] == sequences


def test_each_spell_of_an_alarm_with_its_end_and_its_acknowledgement():
    summary = summarise(DRIVE)
    told = [
        (spell.alarm, spell.start, spell.end, summary.length(spell), spell.ended_by, spell.acknowledged)
        for spell in summary.spells
    ]
    assert told == [
        ("lean", 10.0, 14.25, 4.25, "returned to normal", 12.5),
        ("hot", 11.0, 20.0, 9.0, "returned to normal", None),
        ("hot", 25.0, 26.0, 1.0, "shelved", 30.0),
        ("lean", 40.0, None, 20.0, "", None),
    ]
    assert [(spell.priority, spell.first_out) for spell in summary.spells] == [
        ("critical", True), ("high", False), ("high", False), ("critical", False),
    ]  # fmt: skip
    assert (summary.profile, summary.duration, summary.ended) == ("Brackwell", 60.0, True)
    assert summary.utc == START
    assert summary.odd == {"error frames": 3}
    assert summary.events == {"started": 1, "alarm": 9, "oddity": 1, "ended": 1}


def test_the_load_is_what_the_run_itself_measures():
    """Eleven alarms in five minutes are a flood (more than ten in ten minutes: EEMUA 191, from memory); three raises
    within a minute chatter."""
    events = [at(0, RunStarted, "x", 1, 11, 0.01)]
    live = Load(10_000_000)
    for number in range(11):
        second = 30.0 * number if number < 8 else 210.0 + 5 * (number - 7)
        name = f"alarm_{number}" if number < 8 else "nervous"
        live.raised(round(second * SECOND), name, "low")
        live.stands_no_more(round((second + 1) * SECOND), name)
        events.append(alarm(second, name, "raised", "unacknowledged alarm", "low"))
        events.append(alarm(second + 1, name, "returned to normal", "returned to normal unacknowledged", "low"))
    events.append(at(1800, RunEnded, 0, 0, {}))
    live.passed(1800 * SECOND)
    summary = summarise(events)
    assert summary.figures == live.figures(1800 * SECOND)
    assert (summary.figures.raised, summary.figures.peak, summary.figures.floods) == (11, 11, 1)
    assert summary.figures.average == pytest.approx(11 / 3)
    assert summary.figures.chattering == {"nervous": 1}
    assert summary.figures.share == {"critical": 0, "high": 0, "medium": 0, "low": 100}


def test_a_summary_of_one_alarm_still_knows_the_run():
    summary = summarise(DRIVE, LogFilter(subjects=frozenset({"hot"})))
    assert (summary.profile, summary.duration, summary.ended) == ("Brackwell", 60.0, True)
    assert [spell.alarm for spell in summary.spells] == ["hot", "hot"]
    assert summary.figures.raised == 2


def test_a_summary_is_json():
    record = json.loads(json.dumps(summarise(DRIVE).to_json()))
    assert record["alarms"][0] == {
        "alarm": "lean",
        "priority": "critical",
        "start": 10.0,
        "end": 14.25,
        "time_unit": "s",
        "first_out": True,
        "setpoint": "lean > 1",
        "because": [],
        "message": "",
        "action": "",
        "start_utc": "2026-05-04T09:30:10.000000Z",
        "duration": 4.25,
        "ended_by": "returned to normal",
        "acknowledged": 12.5,
    }
    assert record["alarms"][3]["end"] is None
    assert record["alarm_load"]["raised"] == 4
    assert record["alarm_load"]["share_to_aim_at"]["low"] == 80
