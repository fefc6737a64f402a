"""Recording goes on whatever the disk does, and what was announced is never lost."""

from __future__ import annotations

import errno
import os
import random
import shutil
import signal
import subprocess
import sys
import threading
import time
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import livewatch.session.recorder as recorder_module
from livewatch.data.samples import SampleBatch
from livewatch.session import Recorder, Session
from livewatch.session.line_file import LineFile
from tests.waiting import until


@pytest.fixture
def folder(sessions, profile, utc) -> Session:
    return Session.create(sessions, profile, ["virtual:test"], start=utc)


def times(folder: Session) -> list[float]:
    """Data time of every alarm in the log."""
    return [one.event.time / 1e9 for one in folder.events() if one.event.kind == "alarm"]


@pytest.mark.skipif(sys.platform == "win32", reason="the program of this test forks")
def test_killed_at_any_moment_every_announced_alarm_is_in_the_log(tmp_path, profile, numbers):
    """kill -9 at 30 random moments, from before the folder is made to some hundred alarms later."""
    chance = random.Random(20260504)
    program = Path(__file__).with_name("killed_run.py")
    announced_in_all = 0
    with subprocess.Popen(
        [sys.executable, str(program)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, bufsize=1
    ) as runs:
        assert runs.stdin is not None and runs.stdout is not None
        for moment in range(30):
            parent = tmp_path / str(moment)
            parent.mkdir()
            runs.stdin.write(f"{parent}\n")
            process = int(runs.stdout.readline())
            # Counted in announcements: how many there are in a while depends on what else the machine does.
            least = chance.randint(1, 40) if moment % 5 else 0
            told = parent / "announced"
            until(lambda told=told, least=least: (told.read_text().count("\n") if told.exists() else 0) >= least, 60.0)
            time.sleep(chance.uniform(0.0, 0.02 if least else 0.15))
            os.kill(process, signal.SIGKILL)
            assert runs.stdout.readline() == "dead\n"
            announced = [int(line) for line in told.read_text().splitlines()] if told.exists() else []
            announced_in_all += len(announced)
            made = [path for path in parent.iterdir() if path.is_dir()]
            if not made or not any(made[0].iterdir()):
                assert not announced, "killed while the folder was made"
                continue
            if not (made[0] / "events.jsonl").exists() and not (made[0] / "manifest.json").exists():
                assert not announced, "killed while the folder was filled"
                continue
            opened = Session.open(made[0])
            assert opened.manifest.state == "killed"
            logged = [round(time_) for time_ in times(opened)]
            assert logged[: len(announced)] == announced
            assert len(logged) <= len(announced) + 1, "at most the one that was on its way"
            read = numbers(opened.rows(profile).batches())
            assert read == list(range(len(read))), "the frames are a prefix of what came in"
            assert len(read) >= 37 * len(announced), "and hold what each announced alarm came from"
        runs.stdin.close()
    assert announced_in_all > 500


def test_events_keep_their_order_and_their_numbers(folder, alarm, note):
    with Recorder(folder) as recorder:
        recorder.write_events([note(0), alarm(1), note(2)])
        recorder.write_events([])
        recorder.write_events([note(3)])
        recorder.write_events([alarm(4)])
    read = list(folder.events())
    assert [event.sequence for event in read] == list(range(5))
    assert [event.event.kind for event in read] == ["note", "alarm", "note", "note", "alarm"]
    now = time.time()
    written = [time.mktime(time.strptime(event.written[:19], "%Y-%m-%dT%H:%M:%S")) - time.timezone for event in read]
    assert all(abs(now - moment) < 10 for moment in written)


def test_events_are_with_the_system_before_the_call_returns(folder, note):
    """Even those that no fsync waits for: what kills this process cannot take them."""
    with Recorder(folder) as recorder:
        for number in range(20):
            recorder.write_events([note(number)])
            assert (folder.path / "events.jsonl").read_bytes().count(b"\n") == number + 1


def test_one_fsync_for_all_alarms_of_a_tick(folder, alarm, note, monkeypatch):
    synced: list[str] = []
    real = LineFile.sync

    def sync(self) -> None:
        if self._dirty:
            synced.append(self.path.name)
        real(self)

    monkeypatch.setattr(LineFile, "sync", sync)
    with Recorder(folder) as recorder:
        recorder.write_events([note(0)])
        assert synced == []
        recorder.write_events([alarm(number) for number in range(25)])
        assert synced == ["events.jsonl"]


def test_an_alarm_waits_for_the_frames_before_it(folder, alarm, frames, numbers, profile):
    with Recorder(folder) as recorder:
        recorder.write_rows(frames(500))
        recorder.write_events([alarm(1)])
        assert recorder.behind == 0
        assert numbers(Session.open(folder.path).rows(profile).batches()) == list(range(500))
        assert recorder.counts == {}


def test_a_slow_disk_holds_up_neither_the_run_nor_an_alarm(folder, alarm, frames, numbers, profile, monkeypatch):
    slow = threading.Event()
    real = LineFile.write

    def write(self, lines) -> None:
        if self.path.name.startswith("frames"):
            slow.wait(60)
        real(self, lines)

    monkeypatch.setattr(LineFile, "write", write)
    recorder = Recorder(folder, queue_rows=1_000)
    start = time.monotonic()
    for first in range(0, 1_500, 100):
        recorder.write_rows(frames(100, first))
    assert time.monotonic() - start < 20.0, "rows are not waited for"
    recorder.write_events([alarm(1)])
    assert time.monotonic() - start < 30.0, "an alarm waits for slow rows half a second at the most"
    assert times(folder) == [1.0]
    assert recorder.behind == 1_000
    assert 0.4 < recorder.behind_seconds < 60
    assert recorder.trouble == "the disk is too slow: 500 rows not recorded so far"
    assert recorder.counts == {"rows not recorded": 500, "alarms told before the rows behind them were on the disk": 1}
    slow.set()
    until(lambda: recorder.behind == 0)
    recorder.write_rows(frames(100, 1_500))
    recorder.close()
    assert numbers(Session.open(folder.path).rows(profile).batches()) == [*range(1_000), *range(1_500, 1_600)]
    assert Session.open(folder.path).manifest.counts["rows not recorded"] == 500


def test_a_replay_waits_for_a_slow_disk_instead(folder, frames, numbers, profile, monkeypatch):
    real = LineFile.write

    def write(self, lines) -> None:
        time.sleep(0.01)
        real(self, lines)

    monkeypatch.setattr(LineFile, "write", write)
    with Recorder(folder, queue_rows=200, may_wait=True) as recorder:
        for first in range(0, 2_000, 100):
            recorder.write_rows(frames(100, first))
        assert recorder.counts == {}
    assert numbers(Session.open(folder.path).rows(profile).batches()) == list(range(2_000))


@pytest.fixture
def small_disk(tmp_path, monkeypatch):
    """A disk of 1 MB, and what fills it and frees it again. A real one where a tmpfs may be mounted; else the same
    errors at the same place, from a file that refuses."""
    path = tmp_path / "disk"
    path.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", str(path)]
    ballast = path / "ballast"
    if subprocess.run(mount, capture_output=True).returncode == 0:

        def fill() -> None:
            with ballast.open("ab", buffering=0) as file:
                try:
                    while file.write(bytes(4096)):
                        pass
                except OSError as error:
                    assert error.errno == errno.ENOSPC

        yield path, fill, ballast.unlink
        subprocess.run(["umount", "-l", str(path)], check=True)
        return
    full = threading.Event()
    real = LineFile.write

    def write(self, lines) -> None:
        if full.is_set():
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        real(self, lines)

    monkeypatch.setattr(LineFile, "write", write)
    yield path, full.set, full.clear


def test_a_full_disk_stops_neither_the_run_nor_loses_an_alarm(small_disk, profile, frames, alarm, note, numbers):
    disk, fill, free = small_disk
    folder = Session.create(disk / "sessions", profile, [])
    recorder = Recorder(folder, queue_rows=5_000)
    recorder.write_rows(frames(100))
    recorder.write_events([alarm(1)])
    fill()
    recorder.write_rows(frames(100, 100))
    until(lambda: recorder.trouble is not None)
    assert "the disk is full" in recorder.trouble and recorder.trouble.endswith("frames are not recorded")
    start = time.monotonic()
    for number in range(2, 60):
        recorder.write_events([note(number), alarm(number, setpoint="x" * 3_000)])
    assert time.monotonic() - start < 20.0, "no event of these 58 waits for the disk"
    assert recorder.trouble == "events cannot be written: No space left on device; " + (
        f"{recorder._events.waiting} wait in memory"
    )
    for first in range(200, 8_000, 100):
        recorder.write_rows(frames(100, first))
    lost = recorder.counts["rows not recorded"]
    assert lost >= 2_000
    assert recorder.counts["times rows could not be written"] == 1
    free()
    until(lambda: recorder.behind == 0 and recorder._events.waiting == 0)
    recorder.write_rows(frames(100, 8_000))
    recorder.write_events([alarm(60)])
    assert times(folder) == [float(number) for number in range(1, 61)], "no alarm lost, none twice, in order"
    recorder.close()
    opened = Session.open(folder.path)
    log = opened.events()
    assert [event.sequence for event in log] == list(range(118))
    assert log.counts == {}, "nothing half written in between"
    rows = opened.rows(profile)
    read = numbers(rows.batches())
    assert rows.counts == {}
    assert read == [*range(8_000 - lost), *range(8_000, 8_100)]
    assert opened.manifest.counts["rows not recorded"] == lost


def test_space_is_kept_for_events_when_frames_fill_the_disk(folder, frames, alarm, numbers, profile, monkeypatch):
    """Rows stop at 32 MB of free space and go on at 40 MB; on a disk of 100 MB, at 5 MB and 6.25 MB."""
    disk = {"total": 100 << 30, "free": 33 << 20}
    monkeypatch.setattr(shutil, "disk_usage", lambda path: SimpleNamespace(total=disk["total"], free=disk["free"]))
    monkeypatch.setattr(recorder_module, "RETRY_EVERY", 0.05)
    written = {"rows": 0}
    with Recorder(folder) as recorder:

        def rows_come(total: int, free: float) -> int:
            disk.update(total=total, free=round(free * (1 << 20)))
            waiting = recorder.behind
            recorder.write_rows(frames(10, written["rows"]))
            written["rows"] += 10
            return waiting + 10

        def goes_on(total: int, free: float) -> None:
            rows_come(total, free)
            until(lambda: recorder.behind == 0)

        def stands(total: int, free: float) -> None:
            waiting = rows_come(total, free)
            until(lambda: recorder.trouble is not None)
            time.sleep(0.25)  # one more attempt
            assert recorder.behind == waiting

        goes_on(100 << 30, 33)
        stands(100 << 30, 31.9)
        assert recorder.trouble == "the disk is full (33 MB free): frames are not recorded"
        assert recorder.free_bytes == round(31.9 * (1 << 20))
        recorder.write_events([alarm(1)])
        assert times(folder) == [1.0], "events still find room"
        stands(100 << 30, 39)  # it does not go on and off around the limit
        goes_on(100 << 30, 41)
        goes_on(100 << 20, 5.1)  # a small disk keeps a twentieth free
        stands(100 << 20, 4.9)
        goes_on(100 << 20, 6.3)
    assert numbers(Session.open(folder.path).rows(profile).batches()) == list(range(70))


@pytest.mark.skipif(sys.platform == "win32", reason="Windows does not let go of a folder with open files")
def test_a_folder_that_is_deleted_is_made_again(folder, frames, alarm, note, numbers, profile, delete_in_use):
    with Recorder(folder) as recorder:
        recorder.write_rows(frames(10))
        recorder.write_events([alarm(1)])
        delete_in_use(folder.path)
        recorder.write_rows(frames(10, 10))
        recorder.write_events([note(2), alarm(3)])
        assert recorder.trouble is None
        counts = recorder.counts
    assert counts == {"times the session folder was removed": 1, "files removed while they were recorded": 1}
    opened = Session.open(folder.path)
    assert opened.manifest.state == "ended"
    assert opened.profile_text == profile.text
    assert [event.sequence for event in opened.events()] == [1, 2]
    assert numbers(opened.rows(profile).batches()) == list(range(10, 20))


@pytest.mark.skipif(sys.platform == "win32", reason="Windows does not let go of a folder with open files")
def test_a_disk_that_is_pulled_out_is_told_and_the_run_goes_on(
    folder, frames, alarm, sessions, numbers, profile, delete_in_use
):
    recorder = Recorder(folder)
    recorder.write_rows(frames(10))
    recorder.write_events([alarm(1)])
    delete_in_use(sessions)
    recorder.write_events([alarm(2)])
    assert recorder.trouble == "events cannot be written: No such file or directory; 1 wait in memory"
    recorder.write_rows(frames(10, 10))
    sessions.mkdir()
    until(lambda: recorder.trouble is None and recorder.behind == 0)
    recorder.close()
    assert times(Session.open(folder.path)) == [2.0]
    assert numbers(Session.open(folder.path).rows(profile).batches()) == list(range(10, 20))


def test_rows_that_cannot_be_put_into_words_do_not_end_the_recording(folder, frames, samples, numbers, profile):
    with Recorder(folder) as recorder:
        recorder.write_rows(frames(10))
        spoilt = samples(1.0)
        recorder.write_rows(replace(spoilt, columns=[replace(spoilt.columns[0], channel=99)]))
        until(lambda: recorder.behind == 0)
        assert recorder.trouble == "frames cannot be written: IndexError('tuple index out of range')"
        recorder.write_rows(frames(10, 10))
        until(lambda: recorder.trouble is None)
        assert recorder.counts == {"rows not recorded": 1}
    assert numbers(Session.open(folder.path).rows(profile).batches()) == list(range(20))


def test_a_recorder_closed_on_a_full_disk_counts_what_it_lost(folder, frames, note, monkeypatch):
    def write(self, lines) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(LineFile, "write", write)
    recorder = Recorder(folder)
    recorder.write_rows(frames(10))
    recorder.write_events([note(1), note(2)])
    recorder.close()
    recorder.close()
    assert recorder.counts == {
        "rows not recorded": 10,
        "events not recorded": 2,
        "times rows could not be written": 1,
        "times events could not be written": 1,
    }


def test_a_write_that_fails_half_way_leaves_no_half_line(tmp_path):
    file = LineFile(tmp_path / "x.log")
    file.write(b"one\ntwo\n")
    raw = file._file

    class Half:
        """Takes some bytes, then none."""

        def write(self, data):
            if len(data) < 100:
                raise OSError(errno.ENOSPC, "No space left on device")
            return raw.write(data[:50])

        def truncate(self, size):
            return raw.truncate(size)

    file._file = Half()
    with pytest.raises(OSError):
        file.write(b"x" * 120 + b"\n")
    file._file = raw
    file.write(b"three\n")
    assert (tmp_path / "x.log").read_bytes() == b"one\ntwo\nthree\n"


@settings(
    max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow], deadline=None
)
@given(pieces=st.lists(st.tuples(st.sampled_from("fse"), st.integers(1, 40)), max_size=12))
def test_any_mixture_comes_back_in_order(tmp_path_factory, profile, frames, samples, note, numbers, pieces):
    folder = Session.create(tmp_path_factory.mktemp("mixture"), profile, [])
    expected: list[int] = []
    events = 0
    with Recorder(folder) as recorder:
        for kind, count in pieces:
            if kind == "e":
                recorder.write_events([note(number) for number in range(count)])
                events += count
            elif kind == "f":
                recorder.write_rows(frames(count, len(expected)))
                expected += range(len(expected), len(expected) + count)
            else:
                values = list(range(len(expected), len(expected) + count))
                recorder.write_rows(samples(*map(float, values)))
                expected += [-value for value in values]
    opened = Session.open(folder.path)
    assert numbers(opened.rows(profile).batches()) == expected
    assert len(list(opened.events())) == events


def test_silence_and_losses_come_back_at_their_places(folder, frames, profile):
    silent = [SampleBatch(np.array([at * 1000], np.int64), (), lost, True) for at, lost in ((5, {}), (6, {"lost": 3}))]
    with Recorder(folder) as recorder:
        for batch in (frames(3), *silent, frames(2, 3)):
            recorder.write_rows(batch)
    before, quiet, lost, after = folder.rows(profile).batches()
    assert (len(before), len(after)) == (3, 2)
    assert (quiet.silence, quiet.time.tolist(), quiet.counts) == (True, [5000], {})
    assert (lost.silence, lost.time.tolist(), lost.counts) == (True, [6000], {"lost": 3})
