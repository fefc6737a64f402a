"""Messages of somebody who means harm: nothing crashes, nothing is believed or drawn raw, memory has bounds."""

from __future__ import annotations

import json
import time
import tracemalloc

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from livewatch.dashboard.content.station_snapshot import snapshot_of
from livewatch.publish.stations import MOST_ALARMS, MOST_STATIONS, Stations
from livewatch.sources.mqtt.topics import read_topic, topic
from tests.drawn import CHARACTERS

STATUS = {"v": 1, "session": "s", "state": "watching", "car": "car"}
ALARM = {"v": 1, "session": "s", "alarm": "lean", "state": "unacknowledged alarm", "priority": "critical", "since": 3.5,
         "utc": "2026-05-04T09:30:00.000000Z"}  # fmt: skip


def told(*messages: tuple[str, object]) -> Stations:
    stations = Stations()
    for name, payload in messages:
        stations.take(name, payload if isinstance(payload, bytes) else json.dumps(payload).encode())
    return stations


@pytest.mark.parametrize(
    "payload",
    [
        bytes(10_000_000),
        b"[" * 100_000 + b"]" * 100_000,
        b'{"v":1,"car":' + b'{"a":' * 60 + b"1" + b"}" * 61,
        b'{"v":1,"state":"watching","car":"x","time":NaN}',
        b'{"v":1,"state":"watching","car":"x","time":1e999}',
        b'{"v":1,"state":"watching","car":"x","time":"3"}',
        b'{"v":1,"state":"on fire","car":"x"}',
        b'{"v":2,"state":"watching","car":"x"}',
        b'{"v":1,"state":"watching","car":7}',
        b'{"v":1,"state":"watching","car":"' + b"x" * 5000 + b'"}',
        b'{"v":1,"state":"watching","car":"x","events":-1}',
        b'{"v":1,"state":"watching","car":"x","events":' + b"9" * 5000 + b"}",
        b'"watching"',
        b"\x80\x81",
        b"",
    ],
)
def test_a_status_that_makes_no_sense_is_counted_and_not_believed(payload: bytes) -> None:
    stations = told((topic("car_7", "status"), STATUS), (topic("car_7", "status"), payload))
    assert sum(stations.counts.values()) == 1
    assert stations.get("car_7").status.car == "car"


@pytest.mark.parametrize(
    "name",
    ["", "livewatch", "livewatch/1//status", "livewatch/1/a/b/c/d/e", "livewatch/2/a/status", "livewatch/1/a/other",
     "livewatch/1/a%2Fb/status", "livewatch/1/%1b%5b2J/status", "livewatch/1/%ff/status", "livewatch/1/a\x00/status",
     "livewatch/1/" + "x" * 70_000 + "/status", "$SYS/broker", "livewatch/1/\u202ea/status"],
)  # fmt: skip
def test_odd_topics_are_none_of_ours(name: str) -> None:
    assert read_topic(name) is None
    stations = told((name, STATUS))
    assert not len(stations) and stations.counts


@given(station=st.text(CHARACTERS, min_size=1, max_size=30), alarm=st.text(CHARACTERS, min_size=1, max_size=60))
def test_every_name_that_may_be_one_comes_back_from_its_topic(station: str, alarm: str) -> None:
    found = read_topic(topic(station, "alarms", alarm))
    assert found is None or found == (station, "alarms", alarm)


def test_a_flood_of_stations_and_alarms_ends_at_its_bounds() -> None:
    tracemalloc.start()
    stations = Stations()
    payload = json.dumps(STATUS).encode()
    for number in range(MOST_STATIONS + 500):
        stations.take(topic(f"s{number}", "status"), payload)
    for number in range(MOST_ALARMS + 100):
        stations.take(topic("s1", "alarms", f"a{number}"), json.dumps({**ALARM, "alarm": f"a{number}"}).encode())
    _, most = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert len(stations) == MOST_STATIONS and len(stations.get("s1").alarms) == MOST_ALARMS
    assert sum(stations.counts.values()) == 600 and most < 60_000_000


def test_an_alarm_under_the_topic_of_another_is_not_believed() -> None:
    stations = told((topic("a", "status"), STATUS), (topic("a", "alarms", "overboost"), ALARM))
    assert not stations.get("a").standing


def test_alarms_of_an_earlier_run_are_not_shown_as_those_of_this_one() -> None:
    stations = told((topic("a", "alarms", "lean"), {**ALARM, "session": "old"}), (topic("a", "status"), STATUS))
    assert not stations.get("a").standing


@settings(max_examples=200, deadline=None)
@given(
    kind=st.sampled_from(["status", "alarms", "verdict", "authority", "samples"]),
    data=st.recursive(
        st.none() | st.booleans() | st.integers() | st.floats() | st.text(CHARACTERS, max_size=8),
        lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(
            ["v", "session", "state", "car", "controllers", "time", "channels", "units", "word", "sentence", "utc"]
        ) | st.text(CHARACTERS, max_size=5), inner, max_size=6),
        max_leaves=12,
    ),
)  # fmt: skip
def test_any_json_is_a_message_or_refused(kind: str, data: object) -> None:
    stations = told((topic("a", "status"), STATUS))
    stations.take(topic("a", kind, "x" if kind == "alarms" else ""), json.dumps(data).encode())
    stations.worst_first()


EVIL = "\x1b[2J\x1b]0;owned\x07[bold red]lean[/] \u202e:skull: \x9b31m"


async def test_nothing_of_a_stranger_is_drawn_raw_on_the_board_or_in_a_seat(car, tmp_path) -> None:
    from livewatch.dashboard.board import Board
    from livewatch.dashboard.remembered import Remembered
    from livewatch.publish.board_link import BoardLink
    from livewatch.sources.mqtt.broker import Broker

    link = BoardLink(Broker.parse("localhost"))
    evil = {**STATUS, "car": EVIL, "troubles": [EVIL], "sent": EVIL}
    for name, payload in (
        (topic("a", "status"), evil),
        (topic("a", "alarms", EVIL), {**ALARM, "alarm": EVIL, "action": EVIL, "message": EVIL, "setpoint": EVIL}),
        (topic("a", "alarms", "lean"), {**ALARM, "action": EVIL, "message": EVIL, "channel": EVIL, "unit": EVIL}),
        (topic("a", "verdict"), {"v": 1, "session": "s", "word": "misfit", "sentence": EVIL, "next_drive": EVIL}),
        (topic("a", "authority"), {"v": 1, "session": "s", "controllers": [
            {"controller": EVIL, "label": EVIL, "unit": EVIL, "limits": [0, 1], "everyday": [0, 1], "used": 0.5}]}),
        (topic("a", "samples"), {"v": 1, "session": "s", "time": [1.0], "utc": EVIL, "channels": {EVIL: [1.0],
            "engine_speed": [3000.0]}, "units": {"engine_speed": "rpm"}}),
    ):  # fmt: skip
        link.stations.take(name, json.dumps(payload).encode())
    link._profile = car
    link._profile_text = b"x"
    remembered = Remembered(tmp_path / "remembered.json")
    remembered.note_cautions("the board")
    app = Board(link, remembered=remembered, plain=False)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause(0.6)
        board = _text(app)
        assert "a" in board and "watching" in board and "misfit" in board
        await pilot.press("enter")
        link._profile, link._profile_text = car, b"x"
        await pilot.pause(0.5)
        seat = _text(app)
        await pilot.press("r")
        await pilot.pause(0.3)
        page = _text(app)
    for text in (board, seat, page):
        assert "\x1b" not in text and "\x9b" not in text and "\x07" not in text and "\u202e" not in text
    assert snapshot_of(link.stations.get("a"), car, time.monotonic()).announced


def _text(app) -> str:
    return "\n".join("".join(segment.text for segment in strip) for strip in app.screen._compositor.render_strips())
