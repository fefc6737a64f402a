"""The board: worst first, what it says of each station, and the seat of the one that is opened."""

from __future__ import annotations

import json
import time
from pathlib import Path

import pytest

from livewatch.dashboard.board import Board
from livewatch.dashboard.remembered import Remembered
from livewatch.errors import LivewatchError
from livewatch.publish.board_link import BoardLink
from livewatch.publish.stations import SILENT_AFTER, Stations
from livewatch.sources.mqtt.broker import Broker
from livewatch.sources.mqtt.topics import topic
from tests.waiting import until


def say(stations: Stations, name: str, kind: str, what: str = "", **fields) -> None:
    stations.take(topic(name, kind, what), json.dumps({"v": 1, "session": name, **fields}).encode())


def alarm(stations: Stations, name: str, what: str, state: str, priority: str) -> None:
    say(
        stations,
        name,
        "alarms",
        what,
        alarm=what,
        state=state,
        priority=priority,
        since=1.0,
        utc="x",
        action="Lift off.",
    )


def fill(stations: Stations) -> None:
    for name in ("calm", "misfit", "answered", "medium", "high", "critical"):
        say(stations, name, "status", state="watching", car=f"car {name}")
    say(stations, "done", "status", state="ended", car="car done")
    say(stations, "gone", "status", state="lost", car="car gone")
    say(stations, "misfit", "verdict", word="misfit", sentence="It does not fit.")
    alarm(stations, "answered", "overboost", "acknowledged alarm", "critical")
    alarm(stations, "medium", "fast", "unacknowledged alarm", "medium")
    alarm(stations, "high", "rail_pressure_low", "unacknowledged alarm", "high")
    alarm(stations, "critical", "lean_under_load", "unacknowledged alarm", "critical")
    alarm(stations, "critical", "fast", "unacknowledged alarm", "medium")
    say(stations, "calm", "authority", controllers=[
        {"controller": "t", "label": "both trims", "unit": "%", "limits": [-25, 25], "everyday": [-5, 5], "used": 0.41}
    ])  # fmt: skip


def test_the_worst_station_comes_first_and_a_run_that_ended_well_last() -> None:
    stations = Stations()
    fill(stations)
    order = [station.name for station in stations.worst_first()]
    assert order == ["critical", "high", "gone", "medium", "answered", "misfit", "calm", "done"]


def test_a_station_that_says_nothing_any_more_is_silent() -> None:
    stations = Stations()
    fill(stations)
    calm, now = stations.get("calm"), time.monotonic()
    assert calm.state(now) == "watching"
    assert calm.state(now + SILENT_AFTER + 1) == "silent"
    assert stations.get("done").state(now + 1000) == "ended"


@pytest.fixture
def board(tmp_path: Path) -> Board:
    remembered = Remembered(tmp_path / "remembered.json")
    remembered.note_cautions("the board")
    link = BoardLink(Broker.parse("localhost"))
    fill(link.stations)
    return Board(link, remembered=remembered, plain=False)


def text(app: Board) -> str:
    return "\n".join("".join(segment.text for segment in strip) for strip in app.screen._compositor.render_strips())


@pytest.mark.parametrize("size", [(80, 24), (160, 50)])
async def test_the_board_says_of_every_station_how_it_is_and_what_it_is_not_itself(board: Board, size) -> None:
    async with board.run_test(size=size) as pilot:
        await pilot.pause(0.7)
        shown = text(board)
        rows = shown.splitlines()
    (critical,) = (row for row in rows if "CRITICAL lean" in row)
    assert "+1" in critical and "▲▲" in critical and "watching" in critical
    assert "no engine protection" in shown and "8 stations" in shown and "41 %" in shown and "misfit" in shown
    assert rows.index(critical) < rows.index(next(row for row in rows if " done " in row))


async def test_enter_opens_the_seat_and_q_comes_back(board: Board, car) -> None:
    link = board.link
    say(link.stations, "high", "samples", time=[1.0], utc="x", channels={"engine_speed": [3210.0]},
        units={"engine_speed": "rpm"})  # fmt: skip
    async with board.run_test(size=(80, 24)) as pilot:
        await pilot.pause(0.5)
        await pilot.press("down", "enter")
        link._profile, link._profile_text = car, b"x"
        await pilot.pause(0.5)
        seat = text(board)
        assert board.chosen == "high" and "car of the tests" in seat
        await pilot.press("a")
        await pilot.press("q")
        await pilot.pause(0.5)
        assert "8 stations" in text(board)


async def test_the_cautions_of_the_board_come_first(tmp_path: Path) -> None:
    app = Board(BoardLink(Broker.parse("localhost")), remembered=Remembered(tmp_path / "new.json"), plain=False)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause(0.5)
        assert "seconds late" in text(app) and "The driver drives" in text(app)


def test_a_station_that_does_not_allow_it_is_not_answered_from_afar(board: Board) -> None:
    with pytest.raises(LivewatchError, match="allow-acknowledge"):
        board.link.acknowledge("critical", "lean_under_load")


def test_an_alarm_acknowledged_from_afar_is_logged_with_who(car, drive, broker, tmp_path) -> None:
    from concurrent.futures import Future

    from livewatch.data.actions import Action
    from livewatch.data.events import AlarmChanged, NoteWritten
    from livewatch.publish.publisher import Publisher
    from livewatch.publish.settings import publish_settings
    from livewatch.run.run import Run
    from livewatch.session.folder import Session
    from livewatch.session.recorder import Recorder

    def at_once(call) -> Future:
        done: Future = Future()
        try:
            done.set_result(call())
        except LivewatchError as error:
            done.set_exception(error)
        return done

    recorder = Recorder(Session.create(tmp_path, car, ["x"]), may_wait=True)
    run = Run(car, recorder)
    events = []
    run.listeners.append(events.extend)
    applied: list[Action] = []

    def apply(action: Action) -> Future:
        applied.append(action)
        return at_once(lambda: run.apply(action))

    settings = publish_settings(car, f"{broker}/car_7", acknowledge=True)
    publisher = Publisher(settings, recorder, lambda: run, at_once, apply)
    link = BoardLink(Broker.parse(str(broker)))
    link.start()
    publisher.start()
    run.push(drive(2))
    until(lambda: link.stations.get("car_7") is not None and "lean" in link.stations.get("car_7").alarms)
    link.acknowledge("car_7", "lean")
    until(lambda: len(applied) == 2)
    until(lambda: link.stations.get("car_7").alarms["lean"].state in ("acknowledged alarm", "normal"))
    run.close()
    publisher.close()
    link.stop()
    (note,) = (event for event in events if isinstance(event, NoteWritten))
    (answer,) = (e for e in events if isinstance(e, AlarmChanged) and e.transition == "acknowledged")
    assert "acknowledged from afar by" in note.text and note.text.endswith(": lean") and answer.subject == "lean"
