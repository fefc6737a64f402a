"""A session folder: what is in it, and opening it however its run ended."""

from __future__ import annotations

import errno
import json
import os
import platform
import subprocess
from hashlib import sha256
from importlib.metadata import version
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from livewatch import __version__
from livewatch.data.event_json import line_of
from livewatch.data.frames import FrameBatch
from livewatch.errors import SourceError
from livewatch.profile import load_profile
from livewatch.session import Recorder, Session, SessionError
from livewatch.session.folder import frame_part


@pytest.fixture
def recorded(sessions, profile, frames, alarm, note, utc) -> Path:
    """The folder of a run that ended in good order: 300 frames, four events."""
    folder = Session.create(sessions, profile, ["engine=virtual:test"], start=utc)
    with Recorder(folder) as recorder:
        for first in range(0, 300, 30):
            recorder.write_rows(frames(30, first))
        recorder.write_events([note(0)])
        recorder.write_events([alarm(1), note(2), alarm(3, "returned to normal", "normal")])
        recorder.close(utc + 299_000_000)
    return folder.path


def test_a_new_folder_is_named_after_profile_and_start(sessions, profile, utc):
    first = Session.create(sessions, profile, [], start=utc)
    second = Session.create(sessions, profile, [], start=utc)
    assert first.path == sessions / "brackwell-2.0-turbo-engine-bus-20260504T093000Z"
    assert second.path == sessions / "brackwell-2.0-turbo-engine-bus-20260504T093000Z-2"


def test_the_folder_says_what_it_was_made_with(recorded, profile):
    said = json.loads((recorded / "manifest.json").read_text(encoding="utf-8"))
    assert said["format"] == 1
    assert said["livewatch"] == __version__
    assert said["python"] == platform.python_version()
    assert said["packages"]["numpy"] == version("numpy")
    assert said["packages"]["python-can"] == version("python-can")
    assert said["platform"] == platform.platform()
    assert said["name"] == profile.name
    assert said["sources"] == ["engine=virtual:test"]
    assert said["profile_files"] == {"brackwell.yaml": "0" * 64}
    assert said["profile_sha256"] == sha256((recorded / "profile.yaml").read_bytes()).hexdigest()
    assert said["started"] == "2026-05-04T09:30:00.000000Z"
    assert said["data_end"] == "2026-05-04T09:30:00.299000Z"
    assert (said["state"], said["counts"]) == ("ended", {})


def test_a_run_that_ended_reads_back_whole(recorded, profile, frames, numbers):
    folder = Session.open(recorded)
    assert folder.manifest.state == "ended"
    assert folder.rebuilt == ""
    assert folder.profile_text == profile.text
    rows = folder.rows(profile)
    batches = [batch for batch in rows.batches(size=128) if isinstance(batch, FrameBatch)]
    assert max(map(len, batches)) <= 128
    assert numbers(batches) == list(range(300))
    assert rows.counts == {}
    assert rows.progress == 1.0
    whole, expected = FrameBatch.concatenate(batches), frames(300)
    for column in ("time", "identifier", "flags", "length", "data"):
        np.testing.assert_array_equal(getattr(whole, column), getattr(expected, column))
    assert whole.buses == ("engine",)
    log = folder.events()
    assert [(one.sequence, one.event.kind, one.event.subject) for one in log] == [
        (0, "note", ""), (1, "alarm", "lean_under_load"), (2, "note", ""), (3, "alarm", "lean_under_load"),
    ]  # fmt: skip
    assert log.counts == {}


@pytest.mark.parametrize("name", ["brackwell_20t", "dyno_cell"])
def test_the_profile_in_the_folder_needs_no_other_file(sessions, name):
    given = load_profile(Path(__file__).parents[2] / "profiles" / f"{name}.yaml")
    read = Session.open(Session.create(sessions, given, []).path).profile()
    assert read.text == given.text
    assert read.channels == given.channels
    assert read.messages == given.messages
    assert [alarm.setpoint for alarm in read.alarms] == [alarm.setpoint for alarm in given.alarms]


def test_the_frame_log_goes_on_in_new_parts(sessions, profile, frames, numbers, alarm):
    folder = Session.create(sessions, profile, [])
    with Recorder(folder, part_bytes=5_000) as recorder:
        for first in range(0, 1000, 20):
            recorder.write_rows(frames(20, first))
            recorder.write_events([alarm(first)])  # has everything before it written
    opened = Session.open(folder.path)
    sizes = [part.stat().st_size for part in opened.frame_parts()]
    assert len(sizes) > 5
    assert all(5_000 <= size < 7_000 for size in sizes[:-1])
    assert numbers(opened.rows(profile).batches()) == list(range(1000))


def test_parts_are_read_in_the_order_of_their_numbers(recorded, profile, numbers):
    lines = (recorded / frame_part(1)).read_bytes().splitlines(keepends=True)
    (recorded / frame_part(1)).write_bytes(b"".join(lines[:100]))
    (recorded / frame_part(2)).write_bytes(b"")
    (recorded / frame_part(10_000)).write_bytes(b"".join(lines[200:]))
    (recorded / frame_part(3)).write_bytes(b"".join(lines[100:200]))
    (recorded / "frames-notes.log").write_bytes(b"not ours")
    assert numbers(Session.open(recorded).rows(profile).batches()) == list(range(300))


def test_frames_and_samples_are_read_in_the_order_they_were_received(sessions, profile, frames, samples, numbers, note):
    folder = Session.create(sessions, profile, [])
    with Recorder(folder) as recorder:
        recorder.write_rows(samples(1.0, 2.0))
        recorder.write_rows(frames(5, 10))
        recorder.write_rows(frames(5, 15))
        recorder.write_rows(samples(3.0))
        recorder.write_rows(frames(3, 20))
        recorder.write_rows(samples(4.0, 5.0, 6.0))
    for size in (1, 2, 7, 65536):
        rows = Session.open(folder.path).rows(profile)
        batches = list(rows.batches(size))
        assert max(map(len, batches)) <= size
        assert numbers(batches) == [-1, -2, *range(10, 20), -3, 20, 21, 22, -4, -5, -6]
        assert rows.counts == {}


def test_a_folder_that_is_still_written_to_says_so(sessions, profile, frames, alarm):
    folder = Session.create(sessions, profile, [])
    with Recorder(folder) as recorder:
        recorder.write_events([alarm(1)])
        assert Session.open(folder.path).manifest.state == "running"
    assert Session.open(folder.path).manifest.state == "ended"


def test_a_run_that_was_killed_says_when_its_data_ended(recorded):
    said = json.loads((recorded / "manifest.json").read_text(encoding="utf-8"))
    said.update(state="running", ended=None, data_end=None)
    (recorded / "manifest.json").write_text(json.dumps(said), encoding="utf-8")
    folder = Session.open(recorded)
    # The last event is at second 3, the last frame at 0.299 s.
    assert (folder.manifest.state, folder.manifest.data_end) == ("killed", "2026-05-04T09:30:03.000000Z")
    (recorded / "events.jsonl").write_bytes(b"")
    assert Session.open(recorded).manifest.data_end == "2026-05-04T09:30:00.299000Z"
    with (recorded / frame_part(1)).open("ab") as file:
        file.write(b"(1777887009.000000) engine 1A4#00")
    assert Session.open(recorded).manifest.data_end == "2026-05-04T09:30:00.299000Z", "not from half a line"


@pytest.mark.parametrize(
    "spoilt,why",
    [
        (None, "manifest.json: it is missing"),
        (b"", "manifest.json: it is damaged (JSONDecodeError)"),
        (b'{"format": 1, "name": "x"', "manifest.json: it is damaged (JSONDecodeError)"),
        (b"\xff\xfe\x00", "manifest.json: it is damaged (UnicodeDecodeError)"),
        (b"[1, 2]", "manifest.json: it is damaged (no format version)"),
        (b'{"format": 1, "name": "x"}', "manifest.json: it is damaged (no started)"),
    ],
)
def test_a_manifest_that_is_missing_or_damaged_is_rebuilt(recorded, profile, numbers, spoilt, why):
    if spoilt is None:
        (recorded / "manifest.json").unlink()
    else:
        (recorded / "manifest.json").write_bytes(spoilt)
    folder = Session.open(recorded)
    assert folder.rebuilt == why
    assert folder.manifest.started == "2026-05-04T09:30:00.000000Z"
    assert folder.manifest.name == "brackwell-2.0-turbo-engine-bus"
    assert folder.manifest.state == "killed"
    assert folder.manifest.profile_sha256 == sha256(profile.text.encode()).hexdigest()
    assert numbers(folder.rows(profile).batches()) == list(range(300))


def test_opening_changes_nothing(recorded):
    before = {path.name: (path.read_bytes(), path.stat().st_mtime_ns) for path in recorded.iterdir()}
    (recorded / "manifest.json").rename(recorded / "manifest.away")
    Session.open(recorded).events()
    (recorded / "manifest.away").rename(recorded / "manifest.json")
    assert {path.name: (path.read_bytes(), path.stat().st_mtime_ns) for path in recorded.iterdir()} == before


def test_what_is_no_session_folder(tmp_path):
    with pytest.raises(SourceError) as caught:
        Session.open(tmp_path / "nowhere")
    assert str(caught.value) == f"{tmp_path / 'nowhere'}: there is no such folder"
    with pytest.raises(SourceError) as caught:
        Session.open(tmp_path)
    assert str(caught.value) == (
        f"{tmp_path}: this is no session folder: none of manifest.json, events.jsonl and frames-0001.log is in it; "
        "expected one, or a recording, by its name; `livewatch diagnose` takes a folder of them"
    )
    (tmp_path / "drive.log").touch()
    with pytest.raises(SourceError) as caught:
        Session.open(tmp_path / "drive.log")
    assert str(caught.value) == f"{tmp_path / 'drive.log'}: this is a file, expected a session folder"


def test_a_folder_of_a_newer_livewatch(recorded):
    (recorded / "manifest.json").write_text('{"format": 2}', encoding="utf-8")
    with pytest.raises(SourceError) as caught:
        Session.open(recorded)
    assert str(caught.value) == (
        f"{recorded / 'manifest.json'}: it has format version 2, this livewatch reads up to 1; use a newer livewatch"
    )


def test_a_folder_without_its_profile(recorded):
    (recorded / "profile.yaml").unlink()
    with pytest.raises(SourceError) as caught:
        Session.open(recorded).profile()
    assert str(caught.value) == f"{recorded / 'profile.yaml'}: it is missing; name a profile with --profile"


def test_a_folder_that_cannot_be_written_to(tmp_path, profile, monkeypatch):
    parent = tmp_path / "locked"
    parent.mkdir()
    make_writable = _make_read_only(parent, monkeypatch)
    try:
        with pytest.raises(SessionError) as caught:
            Session.create(parent, profile, [])
    finally:
        make_writable()
    reason = str(caught.value).removeprefix(f"cannot make a session folder in {parent}: ")
    reason, rest = reason.split("; ", 1)
    assert reason in ("Permission denied", "Read-only file system")
    assert rest == "expected a folder that may be written to, on a disk with free space"
    assert list(parent.iterdir()) == []


def _make_read_only(parent: Path, monkeypatch):
    """By its mode where that binds us; else by a read-only mount, for root may write anywhere else; where neither can
    be had, by a system call that refuses. Returns what undoes it."""
    parent.chmod(0o555)
    if not os.access(parent, os.W_OK):
        return lambda: parent.chmod(0o755)
    mount = ["mount", "-t", "tmpfs", "-o", "ro,size=64k", "tmpfs", str(parent)]
    if subprocess.run(mount, capture_output=True).returncode == 0:
        return lambda: subprocess.run(["umount", str(parent)], check=True)

    def refuse(*_: object, **__: object) -> None:
        raise OSError(errno.EROFS, os.strerror(errno.EROFS))

    monkeypatch.setattr(os, "mkdir", refuse)
    return monkeypatch.undo


def test_a_parent_that_is_a_file(tmp_path, profile):
    (tmp_path / "file").touch()
    with pytest.raises(SessionError) as caught:
        Session.create(tmp_path / "file", profile, [])
    assert str(caught.value) == (
        f"cannot make a session folder in {tmp_path / 'file'}: File exists; "
        "expected a folder that may be written to, on a disk with free space"
    )


@settings(
    max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow], deadline=None
)
@given(cut=st.integers(0, 20_000), spoil=st.one_of(st.none(), st.tuples(st.integers(0, 20_000), st.integers(0, 255))))
def test_frames_cut_anywhere_read_as_a_prefix(tmp_path_factory, profile, frames, numbers, cut, spoil):
    from livewatch.sources.recordings.candump.line_writer import format_candump

    text = format_candump(frames(300))
    assert len(text) < 20_000
    folder = tmp_path_factory.mktemp("cut")
    (folder / "frames-0001.log").write_bytes(text[:cut])
    rows = Session.open(folder).rows(profile)
    whole = text[:cut].count(b"\n")
    assert numbers(rows.batches()) == list(range(whole))
    assert rows.counts == ({"last line cut off": 1} if text[:cut] and not text[:cut].endswith(b"\n") else {})
    if spoil is not None and spoil[0] < len(text):
        # Any byte in the middle changed as well: no more than the lines it touches are lost.
        spoilt = bytearray(text)
        spoilt[spoil[0]] = spoil[1]
        (folder / "frames-0001.log").write_bytes(spoilt)
        read = sum(map(len, Session.open(folder).rows(profile).batches()))
        assert 298 <= read <= 301


@settings(
    max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow], deadline=None
)
@given(cut=st.integers(0, 2_500))
def test_events_cut_anywhere_read_as_a_prefix(tmp_path_factory, alarm, note, cut):
    events = [note(0), *(alarm(number, values={"lambda_1": number / 3}) for number in range(8)), note(9)]
    text = "".join(line_of(event, seq, "w") + "\n" for seq, event in enumerate(events)).encode()[: max(0, cut)]
    folder = tmp_path_factory.mktemp("cut")
    (folder / "events.jsonl").write_bytes(text)
    opened = Session.open(folder)
    assert opened.manifest.state == "killed"
    log = opened.events()
    read = list(log)
    assert [event.sequence for event in read] == list(range(text.count(b"\n")))
    assert [event.line for event in read] == [line_of(e, seq, "w") for seq, e in enumerate(events)][: len(read)]
    assert log.counts == ({} if not text or text.endswith(b"\n") else {"last line of the event log cut off": 1})
