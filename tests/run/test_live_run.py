"""A live run over a bus: the same events as a replay of what it recorded, and nothing else is put on the bus."""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import can
import pytest

from livewatch.alarms import ActionError
from livewatch.data.actions import Action
from livewatch.data.events import MarkerSet
from livewatch.data.frames import FrameBatch
from livewatch.errors import LivewatchError, SourceError
from livewatch.profile.model import Profile
from livewatch.run.live import LiveRun
from livewatch.run.opening import open_source
from livewatch.run.pacing import paced
from livewatch.run.reading import read_through
from livewatch.run.run import Run
from livewatch.session.folder import Session
from livewatch.session.recorder import Recorder
from livewatch.sources.live.source import parse_live_buses
from tests.waiting import until

Drive = Callable[..., FrameBatch]


def lines_of(folder: Path) -> list[str]:
    """The event log without the wall clock."""
    lines = []
    for line in (folder / "events.jsonl").read_text().splitlines():
        record = json.loads(line)
        record.pop("written")
        lines.append(json.dumps(record))
    return lines


def put_on_bus(drive: FrameBatch, channel: str, speed: float) -> None:
    """Send the drive by its own time stamps, `speed` times as fast as it was; the stamps stay as they are."""
    with can.Bus(interface="virtual", channel=channel, preserve_timestamps=True) as bus:
        began = time.monotonic()
        first = int(drive.time[0])
        for message in drive.to_messages():
            wait = (message.timestamp - first / 1e9) / speed - (time.monotonic() - began)
            if wait > 0.002:
                time.sleep(wait)
            message.channel = None
            bus.send(message)


def live(
    profile: Profile, drive: FrameBatch, folder: Session, channel: str, enough: Callable[[], bool] = lambda: True
) -> None:
    """A live run of the drive, ended when `enough` is so."""
    run = Run(profile, Recorder(folder))
    live = LiveRun(run, parse_live_buses([f"engine=virtual:{channel}"]))
    live.start()
    put_on_bus(drive, channel, speed=4.0)
    time.sleep(0.1)
    until(enough)
    live.stop()
    assert live.failure is None


def now_in_whole_microseconds() -> int:
    return time.time_ns() // 1000 * 1000


def test_live_paced_replay_and_diagnosis_give_the_same_event_log(engine: Profile, drive: Drive, tmp_path: Path) -> None:
    frames = drive(21, 8, now_in_whole_microseconds())
    live_folder = Session.create(tmp_path, engine, ["live"])
    live(engine, frames, live_folder, "one-path")
    logs = {"live": lines_of(live_folder.path)}

    fast = Session.create(tmp_path, engine, ["fast"])
    read_through(open_source(live_folder.path, engine), Run(engine, Recorder(fast, may_wait=True)))
    logs["diagnosis"] = lines_of(fast.path)

    slow = Session.create(tmp_path, engine, ["slow"])
    run = Run(engine, Recorder(slow, may_wait=True))
    source = open_source(live_folder.path, engine)
    for batch in paced(source.batches(), 10.0):
        run.push(batch)
    run.close(source.end)
    logs["replay at 10x"] = lines_of(slow.path)

    assert any('"raised"' in line for line in logs["live"])
    assert logs["diagnosis"] == logs["live"]
    assert logs["replay at 10x"] == logs["live"]


def test_a_bus_that_falls_silent_is_told_while_it_is_silent(engine: Profile, drive: Drive, tmp_path: Path) -> None:
    frames = drive(22, 1, now_in_whole_microseconds())
    folder = Session.create(tmp_path, engine, ["live"])

    def lost() -> set[str]:
        lines = (folder.path / "events.jsonl").read_text().splitlines(keepends=True)
        events = [json.loads(line) for line in lines if line.endswith("\n")]
        return {event["subject"] for event in events if event["event"] == "quality" and event["what"] == "lost"}

    channels = {"engine_speed", "manifold_pressure", "lambda_1", "commanded_lambda"}
    live(engine, frames, folder, "silent", lambda: channels <= lost())
    again = Session.create(tmp_path, engine, ["again"])
    read_through(open_source(folder.path, engine), Run(engine, Recorder(again, may_wait=True)))
    assert lines_of(again.path) == lines_of(folder.path)


def test_a_persons_action_is_carried_out_between_two_batches(engine: Profile, drive: Drive, tmp_path: Path) -> None:
    run = Run(engine)
    live_run = LiveRun(run, parse_live_buses(["engine=virtual:actions"]))
    live_run.start()
    put_on_bus(drive(23, 1, now_in_whole_microseconds()), "actions", speed=20.0)
    (marker,) = live_run.submit(lambda: run.apply(Action("marker", text="third gear"))).result(timeout=30)
    assert isinstance(marker, MarkerSet) and marker.text == "third gear"
    with pytest.raises(ActionError, match="no alarm is called 'leen' \\(did you mean lean\\?\\)"):
        live_run.submit(lambda: run.apply(Action("acknowledge", subject="leen"))).result(timeout=30)
    live_run.stop()
    with pytest.raises(LivewatchError, match="the run has ended"):
        live_run.submit(lambda: run.apply(Action("marker"))).result(timeout=30)


def test_an_adapter_that_is_not_there_ends_the_start_with_a_sentence(engine: Profile) -> None:
    live_run = LiveRun(Run(engine), parse_live_buses(["engine=slcan:/dev/no-such-adapter@500k"]))
    with pytest.raises(SourceError, match="/dev/no-such-adapter"):
        live_run.start()


def test_a_watching_run_puts_nothing_on_the_bus(engine: Profile, drive: Drive) -> None:
    polled = replace(engine, diagnostics=())
    with can.Bus(interface="virtual", channel="quiet") as listener:
        live_run = LiveRun(Run(polled), parse_live_buses(["engine=virtual:quiet"]))
        live_run.start()
        time.sleep(0.3)
        live_run.stop()
        assert listener.recv(timeout=0) is None
