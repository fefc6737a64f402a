"""Live, replay and the view from afar agree on every event of the same frames, byte for byte."""

from __future__ import annotations

import time

import can

from livewatch.publish.publisher import Publisher
from livewatch.publish.settings import publish_settings
from livewatch.run.history import History
from livewatch.run.live import LiveRun, parse_live_buses
from livewatch.run.run import Run
from livewatch.session.folder import Session
from livewatch.session.recorder import Recorder
from livewatch.sources.mqtt.broker import Broker
from livewatch.sources.mqtt.station_source import StationSource
from tests.publish.conftest import told


def test_a_car_watched_from_afar_gives_the_events_that_it_gives_on_the_spot(car, drive, broker, tmp_path) -> None:
    frames = drive(6)
    far_folder = Session.create(tmp_path / "far", car, ["far"])
    station = StationSource(Broker.parse(f"{broker}/car_7"))
    station.expect(car)
    far = LiveRun(Run(car, Recorder(far_folder), history=History(car)), [], received=lambda _: station)
    far.start()
    while not station.status()[0].losses and not station._link.connected:
        time.sleep(0.05)
    near_folder = Session.create(tmp_path / "near", car, ["near"])
    recorder = Recorder(near_folder)
    run = Run(car, recorder, history=History(car))
    live = LiveRun(run, parse_live_buses(["engine=virtual:one_view"]))
    settings = publish_settings(car, f"{broker}/car_7", rows=True)
    apply = lambda action: live.submit(lambda: run.apply(action))  # noqa: E731
    publisher = Publisher(settings, recorder, lambda: run, live.submit, apply)
    publisher.start()
    while not publisher.link.connected:
        time.sleep(0.05)
    live.start()
    with can.Bus("one_view", "virtual") as sender:
        for message in frames.to_messages():
            message.timestamp = 0.0
            sender.send(message)
            time.sleep(0.002)
        time.sleep(0.5)
    live.stop()
    assert publisher.close() == ""
    end = time.monotonic() + 60
    while not far.finished and time.monotonic() < end:
        time.sleep(0.05)
    far.stop()
    assert far.failure is None and live.failure is None
    here, there = told(near_folder.path), told(far_folder.path)
    assert there == here
    assert sum(b'"transition":"raised"' in line for line in here) >= 1
    # And a replay of what was recorded, on either side.
    for folder in (near_folder, far_folder):
        again = Session.create(tmp_path / "again", car, ["again"])
        recorder = Recorder(again, may_wait=True)
        replayed = Run(car, recorder)
        for batch in Session.open(folder.path).rows(car).batches():
            replayed.push(batch)
        replayed.close()
        assert told(again.path) == here
