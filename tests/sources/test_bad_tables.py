"""What is said of a path that cannot be read as a table, word for word."""

from __future__ import annotations

import gzip
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest

from livewatch.errors import SourceError
from livewatch.profile import Profile
from livewatch.sources.tables.cells import Column, times
from livewatch.sources.tables.table import open_table

if TYPE_CHECKING:
    pass  # loaded by the tests that ask it: few test processes need it

ProfileOf = Callable[..., Profile]
WHICH_TIME = "; say in the profile which one it is, `tables: {time: NAME}`"
NO_CHANNEL = (
    "no column is a channel of the profile: expected names such as engine_speed, manifold_pressure, "
    "coolant_temperature;"
)
WHICH_CHANNEL = "; rename columns, or say in the profile which is which, `tables: {columns: {engine_speed: NAME}}`"
WHICH_UNIT = "; write the unit that its numbers are in behind the name, `engine_speed [rpm]`"


def complaint(path: Path, profile: Profile) -> str:
    with pytest.raises(SourceError) as caught:
        open_table(path, profile)
    assert caught.value.exit_code == 4
    return str(caught.value)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (
            "tim,engine_speed\n0,800\n",
            "no time column: expected one of time, timestamp, utc, date_time, datetime, t, seconds; "
            f"found 'tim', 'engine_speed'{WHICH_TIME}",
        ),
        (
            "\n",
            "no time column: expected one of time, timestamp, utc, date_time, datetime, t, seconds; "
            f"found none{WHICH_TIME}",
        ),
        (
            "time," + ",".join(f"c{i}" for i in range(25)) + "\n",
            f"{NO_CHANNEL} found {', '.join(repr(f'c{i}') for i in range(19))}{WHICH_CHANNEL}",
        ),
        (
            "time;Engin speed [rpm];other\n0;800;1\n",
            f"{NO_CHANNEL} found 'Engin speed [rpm]' (did you mean engine_speed?), 'other'{WHICH_CHANNEL}",
        ),
        (
            "time,engine_speed [rpn]\n0,800\n",
            f"column 'engine_speed [rpn]': unknown unit 'rpn' (did you mean rpm?){WHICH_UNIT}",
        ),
        (
            "time,engine_speed [kPa]\n0,800\n",
            f"column 'engine_speed [kPa]': kPa does not convert to rpm{WHICH_UNIT}",
        ),
        (
            "time [kPa],engine_speed\n0,800\n",
            "column 'time [kPa]': kPa does not convert to ns; expected a unit of time, or utc",
        ),
        ("time,engine_speed\n", "a table without a row that can be used"),
        (
            "time,engine_speed\nnow,800\nthen,800\n",
            "no row has a time that can be read: found 'now', expected a number (`12.5`, with the unit behind the "
            "column's name) or a moment as in ISO 8601 (`2026-05-04T08:30:00.250Z`)",
        ),
        (
            "time,channel,value\n0,engin_speed,800\n1,other,1\n",
            "no row is of a channel of the profile; found 'engin_speed' (did you mean engine_speed?), 'other'",
        ),
        (
            "time,channel,value,unit\n0,engine_speed,800,rpn\n",
            "column 'engine_speed': unknown unit 'rpn' (did you mean rpm?)",
        ),
        (
            "timestamp,arbitration_id,extended,remote,error,dlc,data\n0,0x1,0,0,0,0,\n",
            "this holds frames of a bus: it is a recording, not a table",
        ),
        ("time,engine_speed\n\0\0\0", "by its name a CSV table, but its content is binary"),
    ],
    ids=lambda text: text.split("\n")[0][:40],
)
def test_a_csv_table_that_cannot_be_used(text: str, said: str, tmp_path: Path, table_profile: ProfileOf) -> None:
    path = tmp_path / "drive.csv"
    path.write_text(text)
    assert complaint(path, table_profile()) == f"{path}: {said}"


def test_a_time_column_the_profile_names_is_not_there(tmp_path: Path, table_profile: ProfileOf) -> None:
    path = tmp_path / "drive.csv"
    path.write_text("time,engine_speed\n0,800\n")
    assert complaint(path, table_profile("{time: Zeit}")) == (
        f"{path}: no time column: expected 'Zeit', as the profile says; found 'time', 'engine_speed'{WHICH_TIME}"
    )


def test_a_missing_an_empty_and_an_unknown_file(tmp_path: Path, table_profile: ProfileOf) -> None:
    path = tmp_path / "drive.csv"
    assert complaint(path, table_profile()) == f"{path}: there is no such file"
    path.touch()
    assert (
        complaint(path, table_profile())
        == f"{path}: the file is empty: nothing was recorded, or it was not copied; copy it again"
    )
    path = tmp_path / "drive.xls"
    path.write_bytes(b"x")
    assert complaint(path, table_profile()) == (
        f"{path}: '.xls' is the suffix of no known kind of table, expected one of .csv, .tsv, .txt, .parquet, .pq, .mf4"
    )


@pytest.mark.parametrize("name", ["drive.parquet.gz", "drive.mf4.gz"])
def test_a_compressed_file_of_a_kind_that_is_compressed_itself(
    name: str, tmp_path: Path, table_profile: ProfileOf
) -> None:
    path = tmp_path / name
    path.write_bytes(gzip.compress(b"anything"))
    assert complaint(path, table_profile()) == (
        f"{path}: a table of this kind cannot be read compressed; unpack it first"
    )


def test_a_cut_parquet_file(tmp_path: Path, table_profile: ProfileOf) -> None:
    import pandas as pd

    path = tmp_path / "drive.parquet"
    pd.DataFrame({"time": [0.0], "engine_speed": [800.0]}).to_parquet(path)
    path.write_bytes(path.read_bytes()[:-20])
    assert complaint(path, table_profile()).startswith(f"{path}: this is no whole Parquet file: Parquet magic bytes")


def test_a_damaged_page_of_a_parquet_file_is_counted(tmp_path: Path, table_profile: ProfileOf) -> None:
    import pandas as pd

    path = tmp_path / "drive.parquet"
    frame = pd.DataFrame({"time": range(20_000), "engine_speed": [800.0 + i for i in range(20_000)]})
    frame.to_parquet(path, row_group_size=5000, compression="gzip", use_dictionary=False)
    content = bytearray(path.read_bytes())
    middle = len(content) // 2
    content[middle : middle + 2000] = bytes(2000)
    path.write_bytes(content)
    table = open_table(path, table_profile())
    rows = sum(len(batch) for batch in table.batches(1000))
    assert 5000 <= rows < 20_000
    assert table.counts == {"places behind which nothing can be read": 1}


def test_frames_in_mf4_are_no_table(every_recording: dict[str, Path], table_profile: ProfileOf) -> None:
    path = every_recording[".mf4"]
    assert complaint(path, table_profile()) == f"{path}: this holds frames of a bus: it is a recording, not a table"


@pytest.mark.parametrize(
    ("suffix", "kind", "package"), [(".parquet", "Parquet", "pyarrow"), (".mf4", "MF4", "asammdf")]
)
def test_without_the_package_that_reads_it(
    suffix: str, kind: str, package: str, tmp_path: Path, table_profile: ProfileOf, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in [name for name in sys.modules if name.split(".")[0] == package]:
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.setitem(sys.modules, package, None)
    path = tmp_path / f"drive{suffix}"
    path.write_bytes(b"anything")
    assert complaint(path, table_profile()) == (
        f'{path}: reading {kind} needs the package {package}: pip install "livewatch[tables]"'
    )


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize(
    "column",
    [
        ["1.5", "1e999999"],
        ["1.5", "9999-12-31T23:59:59Z"],
        ["1.5", "0001-01-01T00:00:00+23:59"],
        np.array([1.5, 1e300]),
        np.array(["1970-01-01T00:00:01.5", "9999-01-01"], "M8[ms]"),
        np.array([1, 1 << 62]),
    ],
)
def test_a_time_that_no_count_of_nanoseconds_holds_is_none(column: Column) -> None:
    time, known = times(column, None)
    assert known.tolist() == [True, False]
    assert time[0] in (1_000_000_000, 1_500_000_000)
