"""`livewatch simulate` as a person uses it: formats, seeds, messages, playing onto a bus."""

from __future__ import annotations

import json
import os
import threading
import uuid

import can
import numpy as np
import pytest

from livewatch.commands import simulate as command
from livewatch.commands.cli import main
from livewatch.simulator import simulate
from livewatch.sources.recordings.recording import open_recording

SHORT = ["--duration", "5s", "--route", "standing"]


def run(capsys, *arguments):
    code = main(["simulate", *map(str, arguments)])
    out = capsys.readouterr()
    return code, out.out, out.err


@pytest.fixture(scope="module")
def known():
    return {}


@pytest.fixture
def driven_once(known, monkeypatch):
    """The same scenario is driven once, where what is looked at is how a drive is written."""

    def drive(scenario, tell):
        if repr(scenario) not in known:
            known[repr(scenario)] = simulate(scenario, tell)
        return known[repr(scenario)]

    monkeypatch.setattr(command, "simulate_drive", drive)


def frames(path):
    return [message for batch in open_recording(path).batches() for message in batch.to_messages()]


def test_the_same_seed_gives_the_same_bytes(capsys, tmp_path):
    same_bytes(capsys, tmp_path, "log")


@pytest.mark.parametrize("suffix", ["log.gz", "asc", "blf", "csv"])
def test_the_same_drive_gives_the_same_bytes_in_every_format(capsys, tmp_path, driven_once, suffix):
    same_bytes(capsys, tmp_path, suffix)


def same_bytes(capsys, tmp_path, suffix):
    kept = []
    for name in ("one", "two"):
        path = tmp_path / f"{name}.{suffix}"
        code, _, err = run(capsys, path, *SHORT, "--seed", 7)
        assert code == 0, err
        assert "frames, 5 s" in err
        kept.append(path.read_bytes())
    assert kept[0] == kept[1]
    assert len(kept[0]) > 10_000
    other = tmp_path / f"other.{suffix}"
    run(capsys, other, *SHORT, "--seed", 8)
    assert other.read_bytes() != kept[0]


def test_every_format_holds_the_same_frames(capsys, tmp_path, driven_once):
    seen = {}
    for suffix in ("log", "log.gz", "asc", "blf", "trc", "csv", "db", "mf4"):
        path = tmp_path / f"drive.{suffix}"
        code, _, err = run(capsys, path, *SHORT, "--other-traffic", 5)
        assert code == 0, err
        seen[suffix] = [(m.arbitration_id, bytes(m.data)) for m in frames(path)]
        assert f"{len(seen[suffix]):,} frames" in " ".join(err.split()), suffix  # what is told is what is there
    for suffix, messages in seen.items():
        assert messages == seen["log"], suffix
    assert len(seen["log"]) > 2000


def test_what_is_really_so_is_written_beside_it_when_asked_for(capsys, tmp_path):
    truth = tmp_path / "truth.json"
    code, _, err = run(
        capsys, tmp_path / "x.log", *SHORT, "-m", "vacuum_leak=3 mm@4s", "--truth", truth, "--fuel", "E20"
    )
    assert code == 0, err
    facts = json.loads(truth.read_text())
    assert facts["mismatches"] == [{"kind": "vacuum_leak", "size": 3.0, "unit": "mm", "onset_s": 4.0}]
    assert facts["ethanol_percent"] == 20.0


def test_the_list_names_every_car_route_and_mismatch(capsys):
    from livewatch.simulator import CARS, KINDS, ROUTES

    code, out, _ = run(capsys, "--list")
    assert code == 0
    for name in (*CARS, *ROUTES, *KINDS):
        assert name in out


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (
            ["-m", "air_meter_bore=0"],
            "air_meter_bore=0: no such part; the size (bore of the air meter's tube) must be 30 to 150 mm",
        ),
        (
            ["-m", "air_meter_bore=nan"],
            "air_meter_bore=nan: no such part; the size (bore of the air meter's tube) must be 30 to 150 mm",
        ),
        (
            ["-m", "vacuum_leak=3@600"],
            "vacuum_leak begins at 600 s, outside the drive of 5 s; the onset must lie within it",
        ),
        (
            ["-m", "air_metre_bore=70"],
            "unknown mismatch 'air_metre_bore' (did you mean air_meter_bore?); "
            "`livewatch simulate --list` shows all of them",
        ),
        (
            ["-m", "air_meter_bore"],
            "a mismatch is written NAME=SIZE or NAME=SIZE@ONSET with the size in mm and the onset in s; "
            "found 'air_meter_bore' without a size",
        ),
        (
            ["-m", "vacuum_leak=big"],
            "a mismatch is written NAME=SIZE or NAME=SIZE@ONSET with the size in mm and the onset in s; "
            "found 'vacuum_leak=big'",
        ),
        (
            ["-m", "injector_dead_time=-0.95"],
            "injector_dead_time=-0.95: no such part; "
            "the size (injectors open later (+) or earlier (-)) must be -0.8 to 1.5 ms",
        ),
        (["-m", "vacuum_leak=2", "-m", "vacuum_leak=3"], "a kind of mismatch can be given once only"),
        (
            ["--car", "linden_16", "-m", "boost_solenoid=9"],
            "boost_solenoid needs an engine with a turbocharger; this car's has none",
        ),
        (
            ["--car", "harrow_14t", "-m", "air_meter_bore=70"],
            "air_meter_bore needs an engine with an air meter; this car's has none",
        ),
        (
            ["--car", "brackwel"],
            "unknown car 'brackwel' (did you mean brackwell_20t?); "
            "there are brackwell_20t, linden_16, rowan_12, harrow_14t, tarn_30t",
        ),
        (["--altitude", "9000"], "altitude 9000 m: expected -300 to 4500 m"),
        (["--fuel", "diesel"], "--fuel 'diesel': expected E and the ethanol in % by volume, for example E10 or E85"),
        (["--fuel", "E110"], "ethanol 110 %: expected 0 to 100 %"),
        (["--other-traffic", "120"], "--other-traffic 120 %: expected 0 to 95 %"),
        (["--seed", "-1"], "seed -1: expected 0 or more"),
        (["--error-frames", "nan"], "--error-frames nan: expected 0 a minute or more"),
        (["--error-frames", "-3"], "--error-frames -3: expected 0 a minute or more"),
        (["--duration", "0s"], "duration 0 s: expected 1 to 86400 s"),
    ],
)
def test_bad_input_is_told_in_one_sentence(capsys, tmp_path, arguments, message):
    output = tmp_path / "x.log"
    code, _, err = run(capsys, output, *SHORT, *arguments)
    assert code == 2
    assert err == f"livewatch: {message}\n"
    assert not output.exists()


def test_an_unknown_route_is_told(capsys, tmp_path):
    code, _, err = run(capsys, tmp_path / "x.log", "--route", "twon")
    assert code == 2
    assert err.startswith("livewatch: unknown route 'twon' (did you mean town?); there are mixed, ordinary, town,")


def test_a_place_that_cannot_be_written_is_told_before_driving(capsys, tmp_path):
    more = "expected a name in a folder that may be written to"
    missing = tmp_path / "missing" / "x.log"
    assert run(capsys, missing)[::2] == (
        2,
        f"livewatch: cannot write {missing}: No such file or directory; {more}\n",
    )
    under_a_file = tmp_path / "file" / "x.log"
    under_a_file.parent.write_text("not a folder")
    assert run(capsys, under_a_file)[::2] == (
        2,
        f"livewatch: cannot write {under_a_file}: Not a directory; {more}\n",
    )
    truth = tmp_path / "missing" / "truth.json"
    told = run(capsys, tmp_path / "x.log", "--truth", truth)
    assert told[::2] == (2, f"livewatch: cannot write {truth}: No such file or directory; {more}\n")
    locked = tmp_path / "locked"
    locked.mkdir(mode=0o500)
    path = locked / "x.log"
    if os.access(locked, os.W_OK):
        pytest.skip("this user may write anywhere")
    assert run(capsys, path)[::2] == (2, f"livewatch: cannot write {path}: Permission denied; {more}\n")


def test_an_unknown_kind_of_recording_is_told(capsys, tmp_path):
    path = tmp_path / "x.xyz"
    code, _, err = run(capsys, path)
    assert code == 2
    assert err == (
        f"livewatch: {path}: unknown kind of recording; expected one of "
        ".log, .log.gz, .asc, .blf, .trc, .csv, .db, .mf4, .txt\n"
    )


def test_error_frames_are_written_or_refused_never_left_out(capsys, tmp_path, driven_once):
    for suffix in ("log", "asc", "blf", "csv", "db"):
        path = tmp_path / f"drive.{suffix}"
        code, _, err = run(capsys, path, *SHORT, "--error-frames", 60)
        assert code == 0, err
        kept = frames(path)
        assert f"{len(kept):,} frames" in " ".join(err.split()) and any(message.is_error_frame for message in kept), (
            suffix
        )
    path = tmp_path / "drive.trc"
    code, _, err = run(capsys, path, *SHORT, "--error-frames", 60)
    assert code == 2
    assert err == f"livewatch: {path}: TRC files are written without error frames; expected none, or another format\n"


def test_nowhere_to_go_is_told(capsys):
    code, _, err = run(capsys)
    assert code == 2 and "say where the drive goes" in err


def test_an_interface_that_does_not_exist_is_told(capsys):
    code, _, err = run(capsys, "--interface", "no_such_thing", "--channel", "x", *SHORT)
    assert code == 4
    assert err.splitlines()[-1].startswith("livewatch: cannot open no_such_thing channel 'x' for engine:")


def test_a_car_played_onto_a_bus_is_heard_and_answers_there(capsys):
    channel = str(uuid.uuid4())
    heard, answers = [], []
    with can.Bus(interface="virtual", channel=channel) as tester:
        over = threading.Event()

        def listen():
            while not over.is_set():
                message = tester.recv(0.1)
                if message is None:
                    continue
                heard.append(message)
                answer = message.arbitration_id == 0x7E8
                if answer:
                    answers.append(bytes(message.data))
                if len(heard) == 50 or (answer and len(answers) == 1):
                    tester.send(can.Message(arbitration_id=0x7DF, data=b"\x02\x01\x0c\0\0\0\0\0", is_extended_id=False))

        thread = threading.Thread(target=listen)
        thread.start()
        code, _, err = run(
            capsys,
            "--interface",
            "virtual",
            "--channel",
            channel,
            "--duration",
            "3s",
            "--route",
            "standing",
            "--error-frames",
            60,
        )
        over.set()
        thread.join()
    assert code == 0, err
    broadcast = [message for message in heard if message.arbitration_id != 0x7E8]
    assert 1500 < len(broadcast) < 3500
    first, last = broadcast[0].timestamp, broadcast[-1].timestamp
    assert 2.7 < last - first < 3.4  # real time
    assert {message.arbitration_id for message in broadcast} >= {0x110, 0x120, 0x130, 0x140}
    assert len(answers) == 2 and answers[0][:3] == bytes((4, 0x41, 0x0C))
    assert 600 < int.from_bytes(answers[0][3:5], "big") / 4 < 900  # idling
    assert "frames sent" in err


def test_two_buses_of_a_dyno_are_played_onto_two_channels(capsys):
    engine, cell = str(uuid.uuid4()), str(uuid.uuid4())
    counted = {}
    with can.Bus(interface="virtual", channel=engine) as one, can.Bus(interface="virtual", channel=cell) as two:
        code, _, err = run(
            capsys,
            "--interface",
            "virtual",
            "--channel",
            f"cell={cell}",
            "--channel",
            engine,
            "--duration",
            "2s",
            "--route",
            "dyno",
        )
        for name, bus in (("engine", one), ("cell", two)):
            counted[name] = set()
            while (message := bus.recv(0.0)) is not None:
                counted[name].add(message.arbitration_id)
    assert code == 0, err
    assert {0x210, 0x220, 0x230} <= counted["cell"] and 0x110 not in counted["cell"]
    assert 0x110 in counted["engine"] and 0x210 not in counted["engine"]


def test_a_polled_car_is_recorded_as_a_conversation(capsys, tmp_path):
    path = tmp_path / "x.log"
    code, _, err = run(capsys, path, "--car", "linden_16", *SHORT)
    assert code == 0, err
    text = path.read_text()
    assert " 7DF#" in text and " 7E8#" in text and text.splitlines()[0].endswith(" T")
    assert np.all(np.diff([message.timestamp for message in frames(path)]) >= 0)
