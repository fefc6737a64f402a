"""Channels of a recording handed on: other libraries read the same numbers back, and nobody learns who or where."""

from __future__ import annotations

import csv
import json
import os
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from livewatch import CutOut, Window, cut_out, load_profile, open_source, window_around, write_cut_out
from livewatch.commands.cli import main
from livewatch.data.frames import FrameBatch
from livewatch.data.private import is_private
from livewatch.profile.model import Profile
from livewatch.run.run import Run
from livewatch.session.folder import Session
from livewatch.session.recorder import Recorder

Drive = Callable[..., FrameBatch]


@pytest.fixture(scope="module")
def session(engine: Profile, drive: Drive, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Forty seconds with alarms and with channels that are lost at times."""
    folder = Session.create(tmp_path_factory.mktemp("sessions"), engine, ["can0"])
    run = Run(engine, Recorder(folder, may_wait=True))
    run.push(drive(3, 40))
    run.close()
    return folder.path


def cut(session: Path, profile: Profile, start: float = 0.0, stop: float | None = None, **wanted: object) -> CutOut:
    window = Window(round(start * 1e9), None if stop is None else round(stop * 1e9))
    return cut_out(open_source(session, profile), profile, window, **wanted)  # type: ignore[arg-type]


def test_asammdf_and_pyarrow_read_the_same_numbers_back(session: Path, engine: Profile, tmp_path: Path) -> None:
    given = cut(session, engine, 5.0, 25.0)
    assert given.spells and any(np.isnan(values).any() for values in given.table.values())
    import asammdf
    from pyarrow import parquet

    for kind in ("mf4", "parquet", "csv"):
        write_cut_out(given, tmp_path / f"drive.{kind}")
    stored = parquet.read_table(tmp_path / "drive.parquet")
    with (tmp_path / "drive.csv").open(newline="") as file:
        lines = list(csv.DictReader(file))
    with asammdf.MDF(tmp_path / "drive.mf4") as mdf:
        for name, values in given.table.items():
            heading = f"{name} [{given.table.units[name]}]"
            signal = mdf.get(name)
            np.testing.assert_array_equal(signal.samples, values)
            np.testing.assert_array_equal(signal.timestamps, given.table.time)
            assert signal.unit == ("" if given.table.units[name] == "1" else given.table.units[name])
            column = stored[heading]
            assert column.null_count == np.isnan(values).sum()
            np.testing.assert_array_equal(np.array([np.nan if v is None else v for v in column.to_pylist()]), values)
            cells = np.array([float(line[heading] or "nan") for line in lines])
            np.testing.assert_array_equal(cells, values)
        for alarm in given.alarms:
            stood = given.stood(alarm)
            assert 0 < stood.sum() < len(stood)
            np.testing.assert_array_equal(mdf.get(f"alarm.{alarm}").samples, stood)
            assert stored[f"alarm.{alarm} [1]"].to_pylist() == stood.astype(int).tolist()
        begun = given.table.utc[0].astype("datetime64[us]").item()
        assert abs((mdf.header.start_time.replace(tzinfo=None) - begun).total_seconds() + given.table.time[0]) < 1e-3
    assert stored["utc"].to_numpy().astype("datetime64[ns]").tolist() == given.table.utc.tolist()


def test_a_cut_out_is_what_the_whole_recording_had_there(session: Path, engine: Profile) -> None:
    whole, part = cut(session, engine), cut(session, engine, 12.0, 18.0)
    inside = (whole.table.time >= 12.0) & (whole.table.time <= 18.0)
    np.testing.assert_array_equal(part.table.time, whole.table.time[inside])
    for name, values in whole.table.items():
        np.testing.assert_array_equal(part.table[name], values[inside])
    for alarm in part.alarms:
        np.testing.assert_array_equal(part.stood(alarm), whole.stood(alarm)[inside])
    assert {one.alarm for one in part.spells} == {
        one.alarm for one in whole.spells if one.start <= 18.0 and (one.end is None or one.end > 12.0)
    }


def test_livewatch_reads_its_own_tables(session: Path, engine: Profile, tmp_path: Path) -> None:
    given = cut(session, engine, names=("engine_speed", "lambda_1"))
    for kind in ("csv", "parquet", "mf4"):
        path = write_cut_out(given, tmp_path / f"drive.{kind}")[0]
        source = open_source(path, engine)
        again = cut_out(source, engine, Window(), ("engine_speed",))
        known = given.table["engine_speed"][~np.isnan(given.table["engine_speed"])]
        assert np.isin(again.table["engine_speed"][100:-100], [*known, np.nan]).mean() > 0.9, kind


def test_the_surroundings_of_an_alarm_are_cut_out_with_it(session: Path, engine: Profile, tmp_path: Path) -> None:
    spell = next(one for one in cut(session, engine).spells if one.end is not None and one.start > 3.0)
    window, found = window_around(open_source(session, engine), engine, spell.alarm, 1, 2.0, 1.0)
    assert found.alarm == spell.alarm and window.stop is not None and found.end is not None
    assert window.start / 1e9 == pytest.approx(max(0.0, found.start - 2.0))
    assert window.stop / 1e9 == pytest.approx(found.end + 1.0)
    file = tmp_path / "alarm.csv"
    options = ["--around", spell.alarm, "--before", "2s", "--after", "1s"]
    assert main(["export", str(session), str(file), *options]) == 0
    with (tmp_path / "alarm_alarms.csv").open(newline="") as opened:
        listed = list(csv.DictReader(opened))
    assert (found.alarm, str(found.start)) in {(line["alarm"], line["start [s]"]) for line in listed}


def test_who_and_where_stay_out_unless_asked_for(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "car.yaml").write_text(
        "profile: 1\nname: car\ndecode: []\nchannels:\n"
        "  engine_speed: {unit: rpm}\n  gnss_latitude: {unit: deg}\n  vehicle_identification_number: {unit: 1}\n"
        "  throttle_position: {unit: '%'}\n"
    )
    (tmp_path / "drive.csv").write_text(
        "time [s],engine_speed [rpm],gnss_latitude,vehicle_identification_number,throttle_position\n"
        + "".join(f"{n / 10},{800 + n},48.137154,12345678,{n}\n" for n in range(50))
    )
    command = ["export", str(tmp_path / "drive.csv"), str(tmp_path / "out.csv"), "-p", str(tmp_path / "car.yaml")]
    assert main(command) == 0
    assert "gnss_latitude, vehicle_identification_number" in capsys.readouterr().err
    text = (tmp_path / "out.csv").read_text()
    assert "48.137154" not in text and "12345678" not in text and "throttle_position [%]" in text
    assert main([*command, "--private"]) == 0
    assert "48.137154" in (tmp_path / "out.csv").read_text()
    assert main([*command, "--channel", "gnss_latitude"]) == 0
    assert "48.137154" in (tmp_path / "out.csv").read_text()


@pytest.mark.parametrize("name", ["vehicle_identification_number", "position_latitude", "gps_lon", "VIN", "ecu.serial"])
def test_private_names(name: str) -> None:
    assert is_private(name)


def test_no_channel_of_the_catalogue_is_private() -> None:
    """None of SAE J1979's live values tells who or where; a throttle's position is no place."""
    profile = load_profile("linden_16")
    assert not [channel.name for channel in profile.channels if is_private(channel.name)]


def test_a_file_says_nothing_of_the_machine_it_was_made_on(session: Path, engine: Profile, tmp_path: Path) -> None:
    given = cut(session, engine, 0.0, 5.0)
    import asammdf
    from pyarrow import parquet

    for kind in ("mf4", "parquet"):
        content = write_cut_out(given, tmp_path / f"drive.{kind}")[0].read_bytes()
        for word in (str(session), os.uname().nodename, str(tmp_path)):
            assert word.encode() not in content
    with asammdf.MDF(tmp_path / "drive.mf4") as mdf:
        assert all("user" not in str(entry.comment) for entry in mdf.file_history)
    said = json.loads(parquet.read_schema(tmp_path / "drive.parquet").metadata[b"livewatch"])
    assert said["profile"] == engine.name and "alarms" in said


def test_what_cannot_be_done_is_said(session: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for options, words in (
        (["drive.xlsx"], "ends in .csv"),
        (["drive.csv", "--channel", "engine_sped"], "did you mean engine_speed"),
        (["drive.csv", "--around", "nothing_such"], "it was not raised"),
        (["drive.csv", "--from", "2:00"], "it ends before 120 s"),
        (["none/drive.csv"], "No such file"),
    ):
        assert main(["export", str(session), str(tmp_path / options[0]), *options[1:]]) in (1, 2, 4)
        assert words in capsys.readouterr().err
