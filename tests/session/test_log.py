"""Reading an event log: what is told, what is left out, what it amounts to."""

from __future__ import annotations

import json

import pytest

from livewatch.alarms.load import Load
from livewatch.data.events import Event, EventKind
from livewatch.errors import SourceError
from livewatch.session import open_log, summarise
from livewatch.session.log_filter import LogFilter, Moment

SECOND = 1_000_000_000
START = 1_777_887_000 * SECOND


def event(second: float, kind: EventKind, subject: str = "", **detail) -> Event:
    return Event(round(second * SECOND), START + round(second * SECOND), kind, subject, detail)


def alarm(second: float, name: str, transition: str, state: str, priority: str = "high", **detail) -> Event:
    fields = {"transition": transition, "state": state, "priority": priority, "setpoint": f"{name} > 1", **detail}
    return event(second, EventKind.ALARM, name, **fields)


def logged(tmp_path, *events: Event, tail: str = ""):
    text = "".join(one.to_json(number, "2026-05-04T10:00:00.000000Z") + "\n" for number, one in enumerate(events))
    (tmp_path / "events.jsonl").write_text(text + tail, encoding="utf-8")
    return open_log(tmp_path / "events.jsonl")


DRIVE = (
    event(0, EventKind.STARTED, profile="Brackwell", channels=3, alarms=2, tick=0.01, tick_unit="s"),
    alarm(10, "lean", "raised", "unacknowledged alarm", "critical", first_out=True),
    alarm(11, "hot", "raised", "unacknowledged alarm"),
    alarm(12.5, "lean", "acknowledged", "acknowledged alarm", "critical"),
    event(13, EventKind.ODDITY, counts={"error frames": 2}),
    alarm(14.25, "lean", "returned to normal", "normal", "critical"),
    alarm(20, "hot", "returned to normal", "returned to normal unacknowledged"),
    alarm(25, "hot", "raised", "unacknowledged alarm"),
    alarm(26, "hot", "shelved", "shelved", reason="sensor is loose"),
    alarm(30, "hot", "acknowledged", "normal"),
    alarm(40, "lean", "raised", "unacknowledged alarm", "critical"),
    event(60, EventKind.ENDED, rows=100, ticks=6000, counts={"error frames": 3}),
)


def test_every_field_comes_back(tmp_path):
    log = logged(tmp_path, *DRIVE)
    read = list(log)
    assert len(read) == len(DRIVE)
    first_alarm = read[1]
    assert (first_alarm.sequence, first_alarm.time, first_alarm.kind, first_alarm.subject) == (1, 10.0, "alarm", "lean")
    assert (first_alarm.utc, first_alarm.written) == ("2026-05-04T09:30:10.000000Z", "2026-05-04T10:00:00.000000Z")
    assert first_alarm.detail["transition"] == "raised"
    assert first_alarm.record == json.loads(first_alarm.line)
    assert list(log) == read, "a log can be gone over again"


def test_lines_that_are_no_events_are_counted_and_the_rest_is_read(tmp_path):
    good = [one.to_json(number) for number, one in enumerate(DRIVE)]
    spoilt = [good[0], "", "{", "[1]", '{"v":1}', '{"v":1,"seq":"x"}', "\x00\x00", good[1], '{"v":1,"seq":2,"ti']
    (tmp_path / "events.jsonl").write_text("\n".join(spoilt), encoding="utf-8")
    log = open_log(tmp_path)
    assert [one.sequence for one in log] == [0, 1]
    assert log.counts == {"lines that are not events": 6, "last line of the event log cut off": 1}


def test_an_event_of_a_kind_nobody_knows_yet_is_kept(tmp_path):
    log = logged(tmp_path, tail='{"v":1,"seq":0,"time":1,"utc":"","event":"eclipse","subject":"sun","depth":0.7}\n')
    (one,) = log
    assert (one.kind, one.detail) == ("eclipse", {"depth": 0.7})


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
    assert summarise(log).events == {}


@pytest.mark.parametrize(
    "wanted,sequences",
    [
        (LogFilter(), list(range(12))),
        (LogFilter(kinds=frozenset({"oddity", "ended"})), [4, 11]),
        (LogFilter(subjects=frozenset({"hot"})), [2, 6, 7, 8, 9]),
        (LogFilter(priorities=frozenset({"critical"})), [1, 3, 5, 10]),
        (LogFilter(start=Moment(time=25.0)), [7, 8, 9, 10, 11]),
        (LogFilter(stop=Moment(time=11.0)), [0, 1, 2]),
        (LogFilter(start=Moment(utc="2026-05-04T09:30:12.500000Z"), stop=Moment(time=14.25)), [3, 4, 5]),
        (LogFilter(kinds=frozenset({"alarm"}), subjects=frozenset({"hot"}), stop=Moment(time=20.0)), [2, 6]),
    ],
)
def test_only_what_is_asked_for(tmp_path, wanted, sequences):
    assert [one.sequence for one in logged(tmp_path, *DRIVE) if wanted.passes(one)] == sequences


def test_each_spell_of_an_alarm_with_its_end_and_its_acknowledgement(tmp_path):
    summary = summarise(logged(tmp_path, *DRIVE))
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
    assert summary.start_utc == "2026-05-04T09:30:00.000000Z"
    assert summary.oddities == {"error frames": 3}
    assert summary.events == {"started": 1, "alarm": 9, "oddity": 1, "ended": 1}


def test_the_load_is_what_the_run_itself_measures(tmp_path):
    """Eleven alarms in five minutes are a flood (more than ten in ten minutes: EEMUA 191, from memory); three raises
    within a minute chatter."""
    events = [event(0, EventKind.STARTED, profile="x", tick=0.01)]
    live = Load(10_000_000)
    for number in range(11):
        second = 30.0 * number if number < 8 else 210.0 + 5 * (number - 7)
        name = f"alarm_{number}" if number < 8 else "nervous"
        live.raised(round(second * SECOND), name, "low")
        live.stands_no_more(round((second + 1) * SECOND), name)
        events.append(alarm(second, name, "raised", "unacknowledged alarm", "low"))
        events.append(alarm(second + 1, name, "returned to normal", "returned to normal unacknowledged", "low"))
    events.append(event(1800, EventKind.ENDED, counts={}))
    live.passed(1800 * SECOND)
    summary = summarise(logged(tmp_path, *events))
    assert summary.figures == live.figures(1800 * SECOND)
    assert (summary.figures.raised, summary.figures.peak, summary.figures.floods) == (11, 11, 1)
    assert summary.figures.average == pytest.approx(11 / 3)
    assert summary.figures.chattering == {"nervous": 1}
    assert summary.figures.share == {"critical": 0, "high": 0, "medium": 0, "low": 100}


def test_a_summary_of_one_alarm_still_knows_the_run(tmp_path):
    summary = summarise(logged(tmp_path, *DRIVE), LogFilter(subjects=frozenset({"hot"})))
    assert (summary.profile, summary.duration, summary.ended) == ("Brackwell", 60.0, True)
    assert [spell.alarm for spell in summary.spells] == ["hot", "hot"]
    assert summary.figures.raised == 2


def test_a_summary_is_json(tmp_path):
    record = json.loads(json.dumps(summarise(logged(tmp_path, *DRIVE)).record))
    assert record["alarms"][0] == {
        "alarm": "lean",
        "priority": "critical",
        "setpoint": "lean > 1",
        "first_out": True,
        "start_s": 10.0,
        "start_utc": "2026-05-04T09:30:10.000000Z",
        "end_s": 14.25,
        "duration_s": 4.25,
        "ended_by": "returned to normal",
        "acknowledged_s": 12.5,
    }
    assert record["alarms"][3]["end_s"] is None
    assert record["load"]["raised"] == 4
    assert record["load"]["share_to_aim_at_percent"]["low"] == 80
