"""A run that is killed: every alarm that was announced is in its log, and its frames give those alarms again."""

from __future__ import annotations

import json
import os
import random
import select
import signal
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from livewatch.data.events import AlarmChanged, Event
from livewatch.data.frames import FrameBatch
from livewatch.profile.model import Profile
from livewatch.run.opening import open_source
from livewatch.run.reading import read_through
from livewatch.run.run import Run
from livewatch.session.folder import Session
from livewatch.session.recorder import Recorder

MOMENTS = 20


def watch_until_killed(profile: Profile, drive: FrameBatch, folder: Session, announce: int) -> None:
    """In a child process: run the drive through, batch by batch, and write each announced alarm to a pipe."""
    run = Run(profile, Recorder(folder))

    def tell(events: object) -> None:
        assert isinstance(events, list)
        for event in events:
            if isinstance(event, Event) and isinstance(event, AlarmChanged):
                os.write(announce, f"{event.time} {event.subject} {event.transition}\n".encode())

    run.listeners.append(tell)
    for start in range(0, len(drive), 40):
        run.push(drive[start : start + 40])
        time.sleep(0.0005)
    time.sleep(60)


def alarms(log: Path) -> list[str]:
    found = []
    for line in log.read_text().splitlines():
        record = json.loads(line)
        if record["event"] == "alarm":
            found.append(f"{round(record['time'] * 1e9)} {record['subject']} {record['transition']}")
    return found


@pytest.mark.skipif(sys.platform == "win32", reason="killing with SIGKILL and fork are POSIX")
def test_every_announced_alarm_survives_a_kill_at_any_moment(
    engine: Profile, drive: Callable[..., FrameBatch], tmp_path: Path
) -> None:
    rng = random.Random(4)
    frames = drive(31, 60)
    announced_in_all = 0
    for moment in range(MOMENTS):
        folder = Session.create(tmp_path, engine, ["killed"])
        reading, writing = os.pipe()
        child = os.fork()
        if child == 0:
            os.close(reading)
            try:
                watch_until_killed(engine, frames, folder, writing)
            finally:
                os._exit(1)
        os.close(writing)
        # Counted in announcements: how many there are in a while depends on what else the machine does.
        least, told = rng.randint(1, 4) if moment % 5 else 0, b""
        while told.count(b"\n") < least:
            assert select.select([reading], [], [], 60.0)[0], "nothing was announced in time"
            told += os.read(reading, 65536)
        time.sleep(rng.uniform(0.0, 0.05) if least else rng.uniform(0.02, 0.2))
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        with os.fdopen(reading, "rb") as pipe:
            told += pipe.read()
        announced = told.decode().split("\n")[:-1]
        announced_in_all += len(announced)

        opened = Session.open(folder.path)
        assert opened.manifest.state == "killed", f"moment {moment}"
        logged = alarms(folder.path / "events.jsonl")
        assert logged[: len(announced)] == announced, f"moment {moment}"

        again = Session.create(tmp_path, engine, ["again"])
        read_through(open_source(folder.path, engine), Run(engine, Recorder(again, may_wait=True)))
        replayed = alarms(again.path / "events.jsonl")
        assert replayed[: len(announced)] == announced, f"moment {moment}"
    assert announced_in_all > MOMENTS, "alarms were being announced when the runs were killed"
