"""A session that was cut off is whole to its last second, and the next start carries it on."""

from __future__ import annotations

import shutil
import time
from pathlib import Path

import can
import numpy as np
import pytest
from click.testing import CliRunner

from livewatch import Session, diagnose, load_profile, open_session
from livewatch.commands.cli import livewatch
from livewatch.data.actions import Action
from livewatch.data.events import AlarmChanged, NoteWritten
from livewatch.data.frames import FrameBatch
from livewatch.data.messages import columns_of
from livewatch.run.opening import open_source
from livewatch.run.run import Run
from livewatch.run.verification import verify
from livewatch.session.recorder import Recorder
from tests.waiting import until

PROFILE = """
profile: 1
name: bench
signature_alarms: off
decode:
  - frame: 0x100
    bus: engine
    name: ENGINE
    signals: {SPEED: {start: 0, length: 16, unit: rpm}}
channels: {engine_speed: {signal: SPEED, stale_after: 1 s}}
alarms:
  fast:
    condition: engine_speed > 3000 rpm
    latching: true
    priority: high
    action: Lift.
"""


def frames(start: float, count: int, speed: int) -> FrameBatch:
    messages = [
        can.Message(timestamp=start + at * 0.05, arbitration_id=0x100, is_extended_id=False,
                    data=speed.to_bytes(2, "little"))
        for at in range(count)
    ]  # fmt: skip
    return columns_of(messages, 0, ("engine",))


@pytest.fixture
def cut_off(tmp_path: Path) -> Path:
    """A session whose machine lost its power ten seconds ago, an alarm standing: its folder as the disk held it."""
    profile_path = tmp_path / "bench.yaml"
    profile_path.write_text(PROFILE)
    folder = Session.create(tmp_path / "s", load_profile(profile_path), ["engine"])
    recorder = Recorder(folder)
    run = Run(folder.profile(), recorder)
    began = time.time() - 15.0
    run.push(frames(began, 60, 4000))
    run.apply(Action("acknowledge", "fast"))
    run.apply(Action("note", text="felt it in the seat"))
    run.push(frames(began + 3.0, 40, 4000))
    until(lambda: not recorder.behind and "felt it" in (folder.path / "events.jsonl").read_text())
    kept = tmp_path / "power_cut"
    shutil.copytree(folder.path, kept)
    run.close()
    shutil.rmtree(folder.path)
    shutil.move(kept, folder.path)
    return folder.path


def watch(tmp_path: Path, *options: str) -> str:
    with can.Bus("carry-on", "virtual"):
        result = CliRunner().invoke(
            livewatch,
            ["watch", "-p", str(tmp_path / "bench.yaml"), "--bus", "engine=virtual:carry-on", "--lines", "--for", "1 s",
             "--out", str(tmp_path / "s"), *options],
            catch_exceptions=False,
        )  # fmt: skip
    assert result.exit_code == 0, result.output
    return result.output


def test_what_was_recorded_is_whole_and_carried_on(tmp_path: Path, cut_off: Path) -> None:
    assert open_session(cut_off).manifest.state == "killed"
    assert "--carry-on carries it on" in watch(tmp_path, "--for", "0.3 s"), "nobody is there to answer: it is said"
    shutil.rmtree(next(one for one in (tmp_path / "s").iterdir() if one != cut_off))
    watch(tmp_path, "--carry-on")
    (now,) = [one for one in (tmp_path / "s").iterdir() if one != cut_off]
    old = sum(len(batch) for batch in open_source(cut_off, open_session(cut_off).profile()).batches())
    found = diagnose(now)
    assert found.duration / 1e9 > 14.0, "from the first row of the old session to the end of the new one"
    (alarm,) = [spell for spell in found.alarms if spell.alarm == "fast"]
    assert len(found.alarms) > 1, "and the gap raised its own"
    assert alarm.start < 1.0 and alarm.end is None, "it latched then, and stands"
    rows = [batch for batch in open_source(now, open_session(now).profile()).batches() if isinstance(batch, FrameBatch)]
    assert sum(map(len, rows)) == old == 100
    assert np.isfinite(found.channels("engine_speed")["engine_speed"][100])
    kept = [logged.event for logged in open_session(now).events()]
    told = [event for event in kept if isinstance(event, AlarmChanged) and event.subject == "fast"]
    before = [logged.event for logged in open_session(cut_off).events() if logged.event.subject == "fast"]
    assert [event.transition for event in told] == ["raised", "acknowledged"], "raised once, and acknowledged once"
    assert told == before, "at the same moments, with the same pictures"
    (note,) = [event for event in kept if isinstance(event, NoteWritten)]
    assert note.text == "felt it in the seat" and note.time == told[1].time
    again = verify(now)
    assert again.agrees and again.answers == 1, "and a replay of the new session gives the same"


def test_anew_leaves_it_alone(tmp_path: Path, cut_off: Path) -> None:
    assert "cut off" not in watch(tmp_path, "--anew")
    (now,) = [one for one in (tmp_path / "s").iterdir() if one != cut_off]
    assert not [spell for spell in diagnose(now).alarms if spell.alarm == "fast"]
