"""The spoken word, with a real program in the place of the speaking one: what it is called with, and that the screen
waits for it in no case."""

from __future__ import annotations

import shutil
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from livewatch.alarms import State
from livewatch.dashboard.app import Dashboard
from livewatch.dashboard.remembered import Remembered
from livewatch.dashboard.speech import LONGEST, Speech, speech_command

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="the stand-in is a shell script")
Make = Callable[..., Any]
SPEAKS = "echo called with $# $1 >> {log}\ncat >> {log}\n"
HANGS = "echo begun >> {log}\nexec sleep 600\n"
FAILS = "echo failed >> {log}\nexit 3\n"


@pytest.fixture
def stand_in(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[[str], Path]:
    """Puts a program called espeak-ng on the PATH; gives the file it writes to."""

    def put(script: str) -> Path:
        place, log = tmp_path / "bin", tmp_path / "heard"
        place.mkdir()
        log.touch()
        program = place / "espeak-ng"
        program.write_text(f"#!/bin/sh\n{script.format(log=log)}")
        program.chmod(0o755)
        monkeypatch.setenv("PATH", f"{place}:/usr/bin:/bin")
        return log

    return put


def until(true: Callable[[], bool]) -> None:
    for _ in range(1000):
        if true():
            return
        time.sleep(0.01)
    raise AssertionError("it never came")


class Clock:
    now = 0.0

    def __call__(self) -> float:
        return self.now


def found() -> Speech:
    return Speech(speech_command(shutil.which, "linux"), Clock())


def test_the_word_reaches_the_program_by_its_standard_input(stand_in: Make) -> None:
    log = stand_in(SPEAKS)
    speech = found()
    speech.say("lift")
    until(lambda: log.read_text() == "called with 1 --stdin\nlift\n")
    until(lambda: speech._speaking is not None and speech._speaking.poll() is not None)
    speech.say("lift")
    until(lambda: log.read_text() == "called with 1 --stdin\nlift\n" * 2)


def test_a_program_that_hangs_is_not_waited_for_and_ended_in_the_end(stand_in: Make) -> None:
    log = stand_in(HANGS)
    speech = found()
    clock = speech._clock
    assert isinstance(clock, Clock)
    speech.say("lift")
    until(lambda: log.read_text() == "begun\n")
    first = speech._speaking
    assert first is not None
    speech.say("lift")
    assert speech._speaking is first, "one voice at a time"
    clock.now = LONGEST + 0.1
    speech.say("lift")
    assert first.wait(10) < 0, "ended by a signal"
    until(lambda: log.read_text() == "begun\n" * 2)
    assert speech._speaking is not None
    speech._speaking.kill()
    speech._speaking.wait(10)


def test_a_program_that_fails_is_tried_again_with_the_next_word(stand_in: Make) -> None:
    log = stand_in(FAILS)
    speech = found()
    for times in (1, 2):
        speech.say("lift")
        until(lambda times=times: log.read_text() == "failed\n" * times)  # type: ignore[misc]
        until(lambda: speech._speaking is not None and speech._speaking.poll() == 3)


def test_a_program_that_ends_without_reading_breaks_nothing(stand_in: Make, monkeypatch: pytest.MonkeyPatch) -> None:
    stand_in(FAILS)
    speech = found()
    speech.say("lift")
    until(lambda: speech._speaking is not None and speech._speaking.poll() == 3)
    # The pipe has no reader from the start.
    import subprocess

    real = subprocess.Popen

    def ended_already(*arguments: Any, **options: Any) -> Any:
        process = real(*arguments, **options)
        process.wait(10)
        return process

    monkeypatch.setattr(subprocess, "Popen", ended_already)
    speech.say("lift")
    assert speech._command is not None


def test_a_machine_without_one_keeps_silent(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    assert speech_command(shutil.which, "linux") is None
    found().say("lift")


def test_a_program_that_was_taken_away_is_left_in_peace(stand_in: Make) -> None:
    log = stand_in(SPEAKS)
    speech = found()
    (log.parent / "bin" / "espeak-ng").unlink()
    speech.say("lift")
    speech.say("lift")
    assert speech._speaking is None


async def test_the_screen_draws_on_while_the_program_hangs(stand_in: Make, run_of: Make, tmp_path: Path) -> None:
    """The critical alarm is spoken by the app itself; the beats after it come to their end while nothing is read."""
    log = stand_in(HANGS)
    watched = run_of()
    remembered = Remembered(tmp_path / "dashboard.json")
    remembered.note_cautions(watched.profile.name)
    speech, clock = found(), Clock()
    app = Dashboard(watched, remembered=remembered, plain=False, speech=speech, clock=clock)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        app.beat()
        until(lambda: log.read_text() == "begun\n")
        assert speech._speaking is not None
        for beat in range(50):
            clock.now = 0.1 * beat
            watched.shown = replace(watched.shown, made=clock.now, time=watched.shown.time + 100_000_000)
            app.beat()
        assert speech._speaking.poll() is None, "it hangs to the end"
        assert app._main.query_one("StatusLine").snapshot.time == watched.shown.time  # type: ignore[attr-defined]
        assert any(alarm.state is State.UNACKNOWLEDGED for alarm in watched.shown.announced)
    speech._speaking.kill()
    speech._speaking.wait(10)
