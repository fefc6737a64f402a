"""Every event reaches a reader exactly once by its number, whatever dies on the way."""

from __future__ import annotations

import json
import os
import random
import subprocess
import sys
import time
from pathlib import Path

import pytest

from livewatch.simulator.recording_writer import write_recording
from tests.publish.brokers import MOSQUITTO, TestBroker
from tests.publish.conftest import PROFILE
from tests.publish.reader import Reader

ROOT = Path(__file__).parents[2]


def start_livewatch(folder: Path, broker: TestBroker, speed: str) -> subprocess.Popen:
    command = [sys.executable, "-m", "livewatch", "replay", str(folder / "drive.log"), "-p", str(folder / "car.yaml")]
    command += ["--lines", "--speed", speed, "--out", str(folder / "sessions"), "--publish", f"{broker}/car_7"]
    return subprocess.Popen(command, env=environment(), stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)


def environment() -> dict[str, str]:
    return {**os.environ, "PYTHONPATH": str(ROOT)}


def logs(folder: Path) -> dict[str, list[bytes]]:
    found = {}
    for path in (folder / "sessions").glob("*/events.jsonl"):
        whole = path.read_bytes()
        found[path.parent.name] = whole[: whole.rfind(b"\n") + 1].splitlines()
    return found


@pytest.fixture
def at_work(tmp_path: Path, drive) -> Path:
    (tmp_path / "car.yaml").write_text(PROFILE)
    write_recording([drive(60)], tmp_path / "drive.log")
    return tmp_path


def wait_until_all_read(folder: Path, reader: Reader) -> None:
    end = time.monotonic() + 60.0
    while time.monotonic() < end:
        if {name: lines for name, lines in logs(folder).items() if lines} == reader.lines:
            return
        time.sleep(0.1)


# With both brokers it is tried in test_one_view and test_channels.
@pytest.mark.parametrize("broker", ["amqtt" if MOSQUITTO is None else "mosquitto"], indirect=True)
def test_a_replayed_drive_reaches_a_reader_that_knows_nothing_of_livewatch(at_work: Path, broker) -> None:
    reader = Reader(broker.port, "car_7")
    try:
        process = start_livewatch(at_work, broker, "max" if broker.kind == "mosquitto" else "8")
        assert process.wait(120) == 0, process.stderr.read()
        wait_until_all_read(at_work, reader)
        (lines,) = reader.lines.values()
        assert lines == next(iter(logs(at_work).values()))
        raised = [line for line in map(json.loads, lines) if line.get("transition") == "raised"]
        assert len(raised) > 20
        assert reader.statuses[-1]["state"] == "ended"
    finally:
        reader.close()


@pytest.mark.skipif(MOSQUITTO is None, reason="mosquitto is not installed")
def test_every_alarm_once_by_number_though_broker_and_livewatch_die_at_random(at_work: Path) -> None:
    """Ten deaths of the broker, which forgets everything each time, and two of livewatch."""
    chance = random.Random(15)
    folder = at_work / "broker"
    folder.mkdir()
    broker = TestBroker("mosquitto", folder)
    broker.start()
    reader = Reader(broker.port, "car_7")
    deaths = 0
    try:
        process = start_livewatch(at_work, broker, "10")
        while len(logs(at_work)) < 1 or not reader.received:
            assert process.poll() is None, process.stderr.read()
            time.sleep(0.05)
        for death in range(10):
            time.sleep(chance.uniform(0.05, 0.5))
            broker.kill()
            deaths += 1
            if death in (3, 7):
                process.kill()
                process.wait()
                process = start_livewatch(at_work, broker, "10")
            time.sleep(chance.uniform(0.0, 0.3))
            broker.start()
            if death in (3, 7):
                known = reader.received
                while reader.received == known and process.poll() is None:
                    time.sleep(0.05)
        assert process.wait(120) == 0
        # What the last run could not deliver in its last seconds the next one does, or `livewatch publish`.
        last = [sys.executable, "-m", "livewatch", "publish", str(at_work / "sessions"), "--to", f"{broker}/car_7"]
        done = subprocess.run([*last, "--for", "12 s"], env=environment(), capture_output=True, timeout=120)
        assert done.returncode == 0, done.stderr
        wait_until_all_read(at_work, reader)
        expected = {name: lines for name, lines in logs(at_work).items() if lines}
        assert deaths == 10 and len(expected) == 3
        assert reader.lines == expected
    finally:
        process.kill()
        reader.close()
        broker.kill()
