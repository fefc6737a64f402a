"""What a person gets to read when something is wrong: one clear sentence and an exit code, never a traceback."""

from __future__ import annotations

import gzip
import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from livewatch.commands.cli import main

P = ("-p", "brackwell_20t")


def test_a_missing_recording(livewatch: Callable, tmp_path: Path) -> None:
    path = tmp_path / "none.log"
    assert livewatch("diagnose", path, *P) == (4, "", f"livewatch: {path}: there is no such file\n")


def test_a_folder_that_is_no_session_folder(livewatch: Callable, tmp_path: Path) -> None:
    assert livewatch("diagnose", tmp_path, *P) == (
        4,
        "",
        f"livewatch: {tmp_path}: no recording, table or session folder is in it\n",
    )


def test_an_empty_file(livewatch: Callable, tmp_path: Path) -> None:
    path = tmp_path / "empty.log"
    path.touch()
    said = f"livewatch: {path}: the file is empty: nothing was recorded, or it was not copied; copy it again\n"
    assert livewatch("diagnose", path, *P) == (4, "", said)


def test_a_suffix_nobody_knows(livewatch: Callable, tmp_path: Path) -> None:
    path = tmp_path / "drive.xyz"
    path.write_text("hello")
    code, out, err = livewatch("diagnose", path, *P)
    assert (code, out) == (4, "")
    assert err.startswith(f"livewatch: {path}: '.xyz' is the suffix of no known kind of recording, expected one of ")


def test_binary_noise(livewatch: Callable, tmp_path: Path) -> None:
    path = tmp_path / "noise.log"
    path.write_bytes(random.Random(1).randbytes(3000))
    code, out, err = livewatch("diagnose", path, *P)
    assert (code, out) == (4, "")
    assert err.startswith(f"livewatch: {path}: no candump frame in it (") and "binary" in err


def test_a_cut_gzip_is_read_as_far_as_it_goes_and_says_so(livewatch: Callable, tmp_path: Path, recording: Path) -> None:
    path = tmp_path / "cut.log.gz"
    whole = gzip.compress(recording.read_bytes())
    path.write_bytes(whole[: len(whole) // 2])
    code, out, _ = livewatch("diagnose", path, *P)
    assert code == 0
    assert "1 compressed data cut off" in out


def test_no_profile(livewatch: Callable, recording: Path) -> None:
    assert livewatch("diagnose", recording) == (
        2,
        "",
        "livewatch: no profile given: expected --profile with a YAML file or the name of a profile that comes with "
        "livewatch (a recording holds frames, not what they mean)\n",
    )


def test_a_misspelt_profile_gets_the_nearest_right_name(livewatch: Callable, recording: Path) -> None:
    code, _, err = livewatch("diagnose", recording, "-p", "brackwel_20t")
    assert code == 2
    assert err.startswith("livewatch: no profile 'brackwel_20t': it is neither a file nor one of those that come with ")
    assert err.endswith(" (did you mean brackwell_20t?)\n")


def test_a_profile_with_mistakes_names_each_place(livewatch: Callable, recording: Path, tmp_path: Path) -> None:
    path = tmp_path / "wrong.yaml"
    path.write_text("profile: 1\nname: wrong\nchanels: {}\nalarms:\n  lean: {condition: lamda > 1, priority: urgent}\n")
    code, out, err = livewatch("diagnose", recording, "-p", path)
    assert (code, out) == (3, "")
    lines = err.splitlines()
    assert lines[0].startswith("livewatch: ") and lines[0].endswith("mistakes found:")
    assert any(f"{path}:3:1: " in line and "did you mean channels?" in line for line in lines)
    assert any(f"{path}:5:" in line for line in lines)


def test_a_bus_the_profile_has_not(livewatch: Callable, recording: Path) -> None:
    assert livewatch("diagnose", recording, *P, "--bus", "motor=can0") == (
        2,
        "",
        "livewatch: --bus 'motor=can0': the profile has no bus 'motor', it has engine\n",
    )


def test_a_stretch_that_ends_before_it_begins(livewatch: Callable, recording: Path) -> None:
    assert livewatch("diagnose", recording, *P, "--from", "3 min", "--to", "10s") == (
        2,
        "",
        "livewatch: --to 10 s lies before --from 180 s; expected a later time\n",
    )


def test_a_speed_that_is_none(livewatch: Callable, recording: Path) -> None:
    assert livewatch("replay", recording, *P, "--speed", "fast") == (
        2,
        "",
        "livewatch: --speed 'fast': expected a factor from 0.01 to 1000 such as 10 or 0.5, or max\n",
    )


def test_an_interface_nobody_knows(livewatch: Callable, tmp_path: Path) -> None:
    code, _, err = livewatch("watch", *P, "--bus", "engine=socketcam:can0@500k", "--out", tmp_path)
    assert code == 2
    assert err.startswith(
        "livewatch: bus 'engine=socketcam:can0@500k': there is no interface 'socketcam' (did you mean socketcan?); "
        "the interfaces are "
    )


def test_an_adapter_that_is_not_there_leaves_no_folder(livewatch: Callable, tmp_path: Path) -> None:
    arguments = ("--bus", "engine=slcan:/dev/no-adapter@500k", "--lines", "--out", tmp_path)
    code, _, err = livewatch("watch", *P, *arguments)
    assert code == 4
    assert err.startswith("livewatch: bus 'engine': cannot open slcan channel '/dev/no-adapter': ")
    assert list(tmp_path.iterdir()) == []


def test_a_session_folder_where_nothing_may_be_written(livewatch: Callable, recording: Path, tmp_path: Path) -> None:
    place = tmp_path / "file"
    place.touch()
    code, _, err = livewatch("replay", recording, *P, "--speed", "max", "--lines", "--out", place / "below")
    assert code == 1
    assert err == (
        f"livewatch: cannot make a session folder in {place / 'below'}: Not a directory; expected a folder that may "
        "be written to, on a disk with free space\n"
    )


@pytest.mark.parametrize("command", [("diagnose",), ("diagnose", "--json"), ("replay", "--lines", "--speed", "max")])
def test_a_session_folder_that_lacks_something_is_said_to(
    livewatch: Callable, recording: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, command: tuple[str, ...]
) -> None:
    monkeypatch.setattr("livewatch.session.recorder.Recorder.losses", {"rows not recorded": 7})
    code, out, err = livewatch(command[0], recording, *P, *command[1:], "--out", tmp_path)
    assert code == 6 and "it is not whole: 7 rows not recorded" in out + err


def test_a_recording_whose_clock_jumps_is_read_and_says_so(
    livewatch: Callable, recording: Path, tmp_path: Path
) -> None:
    lines = recording.read_bytes().splitlines(keepends=True)
    half = len(lines) // 2
    moved = [b"(" + str(int(line[1:11]) + 86_400).encode() + line[11:] for line in lines[half:]]
    path = tmp_path / "jump.log"
    path.write_bytes(b"".join([*lines[:half], *moved]))
    code, out, _ = livewatch("diagnose", path, *P)
    assert code == 0
    assert "1 steps of the source's clock" in out


def test_several_recordings_one_of_them_unreadable(livewatch: Callable, recording: Path, tmp_path: Path) -> None:
    missing = tmp_path / "none.log"
    code, out, err = livewatch("diagnose", missing, recording, *P, "--json")
    assert code == 4, "the worst of them decides"
    assert f"{missing}: there is no such file" in err
    assert out.count("\n") == 1 and '"diagnosis": 1' in out


def test_polling_without_polls(livewatch: Callable) -> None:
    assert livewatch("watch", *P, "--bus", "engine=virtual:x", "--poll", "--yes") == (
        2,
        "",
        "livewatch: --poll: the profile has no polls; expected `poll:` entries in it\n",
    )


def test_a_misspelt_command(livewatch: Callable) -> None:
    code, _, err = livewatch("wacth")
    assert code == 2
    assert err.startswith("livewatch: unknown command 'wacth' (did you mean watch?); the commands are demo, connect, ")


def test_a_fault_in_livewatch_itself_shows_no_traceback(
    livewatch: Callable, recording: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("livewatch.diagnosis.diagnosis.open_source", lambda *_: 1 / 0)
    code, _, err = livewatch("diagnose", recording, *P)
    assert code == 70
    assert err.startswith("livewatch: a fault in livewatch itself: ZeroDivisionError: division by zero; the details ")
    kept = Path(err.split("the details are in ")[1].split(";")[0])
    assert "Traceback" in kept.read_text()
    kept.unlink()


@pytest.mark.skipif(sys.platform == "win32", reason="signals are POSIX")
def test_interrupting_a_replay_closes_the_session_folder(recording: Path, tmp_path: Path) -> None:
    # Slow enough that it still plays when the signal comes, however long this machine takes to begin.
    command = [sys.executable, "-m", "livewatch", "replay", str(recording), *P, "--out", str(tmp_path)]
    process = subprocess.Popen(
        [*command, "--speed", "0.1"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        # A shell that started the tests in its background has them, and what they start, ignore Ctrl-C.
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )
    while not list(tmp_path.glob("*/frames-0001.log")) and process.poll() is None:
        time.sleep(0.05)
    process.send_signal(2)
    out, err = process.communicate(timeout=120)
    assert process.returncode == 130
    assert "Traceback" not in out + err
    assert "The session folder is " in out
    (folder,) = tmp_path.iterdir()
    assert '"state": "ended"' in (folder / "manifest.json").read_text()


def test_output_that_nobody_reads_any_more_ends_quietly(recording: Path) -> None:
    command = f"{sys.executable} -m livewatch diagnose {recording} -p brackwell_20t | true"
    done = subprocess.run(["sh", "-c", command], capture_output=True, text=True, check=False, env={**os.environ})
    assert "Traceback" not in done.stderr


def test_the_help_of_every_command_can_be_read(livewatch: Callable) -> None:
    from livewatch.commands.cli import COMMANDS

    for command in COMMANDS:
        code, out, err = livewatch(command, "--help")
        assert (code, err) == (0, ""), command
        assert out.startswith(f"Usage: livewatch {command} "), command
    assert main(["--version"]) == 0
