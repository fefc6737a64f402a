"""Mistakes a newcomer makes in the first hour, and the exact message of each.

Each says where it is, what was found, what was expected, and what to type next.
"""

# ruff: noqa: E501 (each message stands as it is said)
from __future__ import annotations

from pathlib import Path

import pytest

from livewatch.errors import LivewatchError
from livewatch.profile import load_profile, load_profile_text
from livewatch.profile.dbc import read_dbc
from livewatch.run.opening import open_source
from livewatch.sources.tables.table import open_table

CHANNELS = "profile: 1\nname: car\nchannels: {engine_speed: {}, boost_pressure: {}}\n"
COLUMNS = "time [s],engine_speed [rpm]\n"
STEADY = "".join(f"{row / 10},{800 + row}\n" for row in range(20))


def said_of(tmp_path: Path, name: str, content: bytes, profile: str = CHANNELS) -> str:
    path = tmp_path / name
    path.write_bytes(content)
    with pytest.raises(LivewatchError) as caught:
        open_source(path, load_profile_text(profile, "car.yaml", None))
    return str(caught.value).replace(f"{tmp_path}/", "")


TABLES = {
    "time in milliseconds, no unit": (
        "drive.csv",
        ("time,engine_speed\n" + "".join(f"{row * 10},{800 + row}\n" for row in range(20))).encode(),
        "drive.csv: column 'time': found no unit and values 10 apart: in seconds that is one row each 10 s, in milliseconds "
        "100 rows a second; write the unit behind the name, `time [ms]` or `time [s]`, or `tables: {time_unit: ms}` in the "
        "profile",
    ),
    "dates as they are written at home": (
        "drive.csv",
        b"time,engine_speed\n04.05.2026 08:30:00,800\n04.05.2026 08:30:01,810\n",
        "drive.csv: no row has a time that can be read: found '04.05.2026 08:30:00', expected a number (`12.5`, with the unit "
        "behind the column's name) or a moment as in ISO 8601 (`2026-05-04T08:30:00.250Z`)",
    ),
    "rows sorted by something else": (
        "drive.csv",
        (COLUMNS + "".join(f"{row * 37 % 100},{800 + row}\n" for row in range(100))).encode(),
        "drive.csv: column 'time [s]': the rows are not in order of time: row 4 lies 63 s before row 3, and 36 of the first "
        "100 rows go back; sort the table by this column",
    ),
    "a spreadsheet": (
        "drive.xlsx",
        b"PK\3\4",
        "drive.xlsx: found a spreadsheet (.xlsx), expected a recording or a table of text: save the sheet as CSV (UTF-8) and "
        "give that, `drive.csv`",
    ),
    "the logger lost power": (
        "drive.csv",
        bytes(512) + STEADY.encode(),
        "drive.csv: it begins with 512 NUL bytes, expected a header line: whatever wrote it was cut off before the data reached "
        "the disk; copy it from the logger again",
    ),
    "no column is called time": (
        "drive.csv",
        ("clock,engine_speed\n" + STEADY).encode(),
        "drive.csv: no time column: expected one of time, timestamp, utc, date_time, datetime, t, seconds; found 'clock', "
        "'engine_speed'; say in the profile which one it is, `tables: {time: NAME}`",
    ),
    "a column with another name": (
        "drive.csv",
        ("time [s],engine_sped\n" + STEADY).encode(),
        "drive.csv: no column is a channel of the profile: expected names such as engine_speed, boost_pressure; found "
        "'engine_sped' (did you mean engine_speed?); rename columns, or say in the profile which is which, "
        "`tables: {columns: {engine_speed: NAME}}`",
    ),
    "a column in a unit of something else": (
        "drive.csv",
        ("time [s],engine_speed [bar]\n" + STEADY).encode(),
        "drive.csv: column 'engine_speed [bar]': bar does not convert to rpm; write the unit that its numbers are in "
        "behind the name, `engine_speed [rpm]`",
    ),
    "an unknown suffix": (
        "drive.lgo",
        b"(1777884600.000000) can0 0F0#01\n",
        "drive.lgo: '.lgo' is the suffix of no known kind of recording, expected one of .log, .blf, .asc, .trc, .csv, .db, "
        ".mf4, or one of these followed by .gz; its content looks like candump, .log",
    ),
    "an empty file": (
        "drive.log",
        b"",
        "drive.log: the file is empty: nothing was recorded, or it was not copied; copy it again",
    ),
}


@pytest.mark.parametrize("mistake", TABLES)
def test_a_newcomers_table(mistake: str, tmp_path: Path) -> None:
    name, content, message = TABLES[mistake]
    assert said_of(tmp_path, name, content) == message


def test_a_column_twice_is_taken_once_and_said(tmp_path: Path) -> None:
    path = tmp_path / "drive.csv"
    path.write_text(
        "time [s],engine_speed [rpm],Engine speed [rpm]\n" + "".join(f"{row},800,900\n" for row in range(9))
    )
    table = open_table(path, load_profile_text(CHANNELS, "car.yaml", None))
    assert {value for batch in table.batches() for column in batch.columns for value in column.value} == {800.0}
    assert table.counts == {
        "column 3, 'Engine speed [rpm]', is engine_speed once more, not used: column 2 is; rename the one that is not meant": 1
    }


HEAD = "profile: 1\nname: car\n"
PROFILES = {
    "a tab": (
        HEAD + "channels:\n\tengine_speed: {}\n",
        "car.yaml:4:1: is no YAML here: found a tab, expected spaces: YAML is indented with spaces only; replace each tab by two",
    ),
    "a misspelt channel": (
        HEAD + "channels: {boost_presure: {}}\n",
        "car.yaml:3:12: no channel 'boost_presure' is known to livewatch (did you mean boost_pressure?): write that name, or "
        "unit: for a channel of your own",
    ),
    "a misspelt key": (HEAD + "chanels: {}\n", "car.yaml:3:1: unknown key 'chanels' (did you mean channels?)"),
    "no version": (
        "name: car\n",
        "car.yaml:1:1: 'profile' is missing here: write profile: 1, the version of the format",
    ),
    "a delay without a unit": (
        HEAD + "channels: {engine_speed: {stale_after: 0.5}}\n",
        "car.yaml:3:40: 0.5 has no unit: expected a time such as 0.5 s",
    ),
    "a threshold without a unit": (
        HEAD + "channels: {engine_speed: {}}\nalarms: {fast: {condition: engine_speed > 7000, action: Lift.}}\n",
        "car.yaml:4:43: 7000 has no unit: expected one such as rpm",
    ),
    "a unit that is none": (
        HEAD + "channels: {fan: {unit: rmp}}\n",
        "car.yaml:3:24: unknown unit 'rmp' (did you mean rpm?)",
    ),
    "a unit nobody can work out": (
        HEAD + "channels: {fan: {unit: m**9**9**9**9}}\n",
        "car.yaml:3:24: unknown unit 'm**9**9**9**9'",
    ),
    "a range without its end": (
        HEAD + "channels: {engine_speed: {valid: 0 ..}}\n",
        "car.yaml:3:34: '0 ..' has an open end: expected a range such as 0 .. 10 rpm",
    ),
    "a DBC that is not there": (
        HEAD + "decode: [{dbc: engin.dbc, bus: engine}]\n",
        "car.yaml:3:16: engin.dbc: there is no such file (did you mean engine.dbc?)",
    ),
    "a device in place of a profile to extend": (
        HEAD + "extends: /dev/zero\n",
        "/dev/zero: cannot be read: it is a pipe or a device, not a file",
    ),
}


@pytest.mark.parametrize("mistake", PROFILES)
def test_a_newcomers_profile(mistake: str, tmp_path: Path) -> None:
    text, message = PROFILES[mistake]
    (tmp_path / "car.yaml").write_text(text)
    (tmp_path / "engine.dbc").write_text('VERSION ""\n')
    with pytest.raises(LivewatchError) as caught:
        load_profile(tmp_path / "car.yaml")
    assert str(caught.value).replace(f"{tmp_path}/", "") == f"1 mistake found:\n  {message}"


def test_a_dbc_that_is_something_else_is_told_where_it_stops_making_sense() -> None:
    with pytest.raises(LivewatchError) as caught:
        read_dbc(b"hello\n", "engine.dbc", "engine")
    assert str(caught.value) == (
        'engine.dbc: is no DBC that can be read: line 1, column 1 makes no sense there: expected text that begins like `VERSION ""`'
    )


def test_a_header_of_more_names_than_values_is_used_as_far_as_it_goes(tmp_path: Path) -> None:
    path = tmp_path / "drive.csv"
    path.write_text("time [s],engine_speed [rpm],boost_pressure,note\n" + STEADY)
    source = open_source(path, load_profile_text(CHANNELS, "car.yaml", None))
    assert sum(len(batch) for batch in source.batches()) == 20
    assert dict(source.counts) == {
        "names in the header (4) behind the last value of a row (2), not used: boost_pressure, note": 1
    }
