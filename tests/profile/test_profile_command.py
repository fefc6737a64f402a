"""`livewatch profile check`, `show` and `from-dbc`, as a newcomer meets them."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
import yaml

from livewatch.commands.cli import main
from livewatch.profile import load_profile, load_profile_text
from livewatch.profile.shipped import shipped_folder

Write = Callable[..., Path]
DBC = shipped_folder("profiles") / "brackwell_20t.dbc"


@pytest.fixture(autouse=True)
def wide(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "200")


def test_check_says_what_is_right_about_a_right_profile(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["profile", "check", "brackwell_20t", "dyno_cell"]) == 0
    said = capsys.readouterr().out
    assert "brackwell_20t: right. Brackwell 2.0 turbo, engine bus\n" in said
    assert "  11 messages with 59 signals on 1 bus, 0 polled parameters\n" in said
    assert "dyno_cell: right." in said
    assert "  14 messages with 67 signals on 2 buses" in said


def test_check_reports_the_mistakes_of_all_files_and_ends_with_3(
    write: Write, capsys: pytest.CaptureFixture[str]
) -> None:
    first = write("profile: 1\nname: a\nfigures: [speed]\n", "first.yaml")
    second = write("profile: 1\nname: b\ntic: 10 ms\n", "second.yaml")
    assert main(["profile", "check", str(first), "linden_16", str(second)]) == 3
    said = capsys.readouterr()
    assert "linden_16: right." in said.out
    assert said.err == (
        "livewatch: 2 mistakes found:\n"
        f"  {first}:3:11: unknown channel 'speed'\n"
        f"  {second}:3:1: unknown key 'tic' (did you mean tick?)\n"
    )


def test_check_of_a_profile_that_is_not_there_names_the_ones_that_are(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["profile", "check", "brackwel_20t"]) == 2
    assert "(did you mean brackwell_20t?)" in capsys.readouterr().err


def test_check_notes_what_is_worth_a_second_look(write: Write, capsys: pytest.CaptureFixture[str]) -> None:
    path = write(
        """
        profile: 1
        name: car
        poll:
          - {service: 0x01, pid: 0x0C, every: 10 ms}
          - {service: 0x01, pid: 0x30, every: 10 s}
        channels:
          mass_airflow: {unit: g/s}
          barometric_pressure: {valid: 900 .. 1100 kPa}
        alarms:
          fast: {condition: engine_speed > 6000 rpm, action: Lift.}
        signature_alarms: off
        """
    )
    assert main(["profile", "check", str(path)]) == 0
    said = capsys.readouterr().out
    for sentence in (
        "there is no engine: without displacement, cylinders and fuel the signature cannot compare air with fuel",
        "100 requests a second are more than a diagnostic port usually answers (50)",
        "service 0x01, 0x30 is polled, but no channel takes it",
        "alarm fast has neither deadband nor delay: it will chatter around its set point",
        "channel mass_airflow is this profile's own, unknown to livewatch (did you mean mass_air_flow?)",
        "channel barometric_pressure: valid lies outside the usual 50 .. 110 kPa; are units mixed up?",
        "the signature lacks lambda_1 or oxygen_sensor_voltage_1: what the engine really burns",
    ):
        assert sentence in said


def test_show_tells_where_every_channel_comes_from(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["profile", "show", "dyno_cell"]) == 0
    said = capsys.readouterr().out
    for part in (
        "1.998 L, 4 cylinders, turbocharged",
        "cell 0x210 DYNO_TORQUE",
        "= torque * dyno_speed",
        "lean_under_load",
    ):
        assert part in said
    assert main(["profile", "show", "linden_16"]) == 0
    assert "service 01 0C, engine_speed" in capsys.readouterr().out


def test_show_yaml_is_a_profile_that_needs_no_other_file(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["profile", "show", "--yaml", "dyno_cell"]) == 0
    text = capsys.readouterr().out
    assert load_profile_text(text, "shown", None) == load_profile(shipped_folder("profiles") / "dyno_cell.yaml")


def test_a_profile_started_from_a_dbc_is_right_and_binds_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "cars").mkdir()
    (tmp_path / "mine.dbc").write_bytes(DBC.read_bytes())
    out = tmp_path / "cars" / "mine.yaml"
    assert main(["profile", "from-dbc", str(tmp_path / "mine.dbc"), "--bus", "motor", "--out", str(out)]) == 0
    assert "is written: 11 messages." in capsys.readouterr().out
    started = load_profile(out)
    assert started.channels == ()
    assert len(started.messages) == 11
    assert list(started.buses) == ["motor"]
    assert main(["profile", "from-dbc", str(tmp_path / "mine.dbc"), "--out", str(out)]) == 2
    assert "exists already: choose another name, nothing was written" in capsys.readouterr().err


def test_what_is_suggested_becomes_right_by_taking_the_hash_away(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["profile", "from-dbc", str(DBC)]) == 0
    text = capsys.readouterr().out
    (tmp_path / DBC.name).write_bytes(DBC.read_bytes())
    lines, taken = [], set()
    for line in text.splitlines():
        name = line.removeprefix("  # ").split(":")[0]
        if line.startswith("  # ") and "{signal:" in line and name not in taken:
            taken.add(name)
            line = line.replace("  # ", "  ", 1)
        lines.append("channels:" if line.startswith("channels: {}") else line)
    profile = load_profile_text("\n".join(lines), "car.yaml", tmp_path)
    assert {channel.name for channel in profile.channels if channel.declared} == taken
    bound = {channel.name: channel.signal[3] for channel in profile.channels if channel.signal}
    real = yaml.safe_load((shipped_folder("profiles") / "brackwell_20t.yaml").read_text(encoding="utf-8"))
    right = {name: entry["signal"] for name, entry in real["channels"].items() if "signal" in entry}
    wrong = {name: signal for name, signal in bound.items() if right.get(name) != signal}
    assert wrong == {}, "the likeliest suggestion is the right one for a DBC with honest names"
    assert len(bound) >= 25


def test_a_bad_dbc_or_bus_name_is_said_without_a_traceback(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["profile", "from-dbc", str(tmp_path / "none.dbc")]) == 3
    assert capsys.readouterr().err == f"livewatch: {tmp_path}/none.dbc: cannot be read: No such file or directory\n"
    assert main(["profile", "from-dbc", str(DBC), "--bus", "my bus"]) == 2
    assert "--bus: 'my bus' is no bus name: use letters, digits, _ and -" in capsys.readouterr().err


@pytest.mark.parametrize("command", [[], ["check"], ["show"], ["from-dbc"]])
def test_the_help_says_what_to_do_first(command: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["profile", *command, "--help"]) == 0
    said = capsys.readouterr().out
    assert said.startswith("Usage: livewatch profile")
    assert len(said.splitlines()) > 8
