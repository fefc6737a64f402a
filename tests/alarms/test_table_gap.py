"""A gap in a table is one alarm that names its channels (EEMUA 191: group what has one cause)."""

from __future__ import annotations

from pathlib import Path

import livewatch

NAMES = ("engine_speed", "boost_pressure", "mass_air_flow", "lambda_1", "manifold_pressure", "coolant_temperature")


def test_a_gap_in_a_table_is_one_alarm_that_names_its_channels(tmp_path: Path) -> None:
    moments = [row / 10 for row in range(50)] + [20 + row / 10 for row in range(50)]
    rows = "".join(f"{moment},{','.join('1' for _ in NAMES)}\n" for moment in moments)
    (tmp_path / "drive.csv").write_text(f"time [s],{','.join(NAMES)}\n{rows}")
    channels = ", ".join(f"{name}: {{}}" for name in NAMES)
    profile = livewatch.load_profile_text(
        f"profile: 1\nname: car\nsignature_alarms: off\nchannels: {{{channels}}}\n", "car.yaml", None
    )
    (alarm,) = livewatch.diagnose(tmp_path / "drive.csv", profile).to_json()["alarms"]
    assert alarm["alarm"] == "no rows: table"
    assert alarm["message"] == f"No row brings a value of {', '.join(NAMES)}."


def test_one_column_that_falls_silent_alone_is_its_own_alarm(tmp_path: Path) -> None:
    rows = "".join(f"{row / 10},1,{'1' if row < 50 else ''}\n" for row in range(120))
    (tmp_path / "drive.csv").write_text(f"time [s],engine_speed,boost_pressure\n{rows}")
    profile = livewatch.load_profile_text(
        "profile: 1\nname: car\nsignature_alarms: off\nchannels: {engine_speed: {}, boost_pressure: {}}\n",
        "car.yaml",
        None,
    )
    alarms = livewatch.diagnose(tmp_path / "drive.csv", profile).to_json()["alarms"]
    assert [alarm["alarm"] for alarm in alarms] == ["lost: boost_pressure"]
