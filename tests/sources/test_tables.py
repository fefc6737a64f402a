"""Tables of decoded channels: every value under its channel, in its unit, at its time.

Oracles: pandas for CSV and Parquet, asammdf for MF4, reading the same file in one go.
"""

from __future__ import annotations

import gzip
import math
from collections.abc import Callable
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from livewatch.data.samples import Quality
from livewatch.profile import Profile
from livewatch.sources.tables.table import is_table, open_table

if TYPE_CHECKING:
    import pandas as pd  # loaded by the tests that ask it: few test processes need it

Sample = tuple[int, float, int]
Samples = dict[str, list[Sample]]
SamplesOf = Callable[..., Samples]
ProfileOf = Callable[..., Profile]

SECOND = 10**9
CHANNELS = ("engine_speed", "manifold_pressure", "coolant_temperature")


def random_table(seed: int, rows: int = 500) -> pd.DataFrame:
    import pandas as pd

    chance = np.random.default_rng(seed)
    frame = pd.DataFrame({"time": np.round(np.cumsum(chance.random(rows) * 0.02), 6)})
    for channel, low, high in (
        ("engine_speed", 700, 7000),
        ("manifold_pressure", 0, 320),
        ("coolant_temperature", 20, 110),
    ):
        value = np.round(chance.uniform(low, high, rows), 3)
        value[chance.random(rows) < 0.2] = np.nan
        frame[channel] = value
    frame["gps_height"] = chance.random(rows)
    return frame


def expected(frame: pd.DataFrame) -> Samples:
    """What a table says, by pandas' columns; the time in whole nanoseconds."""
    found: Samples = {}
    for channel in CHANNELS:
        held = frame[frame[channel].notna()]
        low, high = (10, 300) if channel == "manifold_pressure" else (-math.inf, math.inf)
        found[channel] = [
            (round(time * SECOND), value, Quality.GOOD if low <= value <= high else Quality.OUT_OF_RANGE)
            for time, value in zip(held["time"], held[channel], strict=True)
        ]
    return found


@pytest.mark.parametrize(
    ("options", "encoding"),
    [
        ({}, "utf-8"),
        ({"sep": ";"}, "utf-8"),
        ({"sep": ";", "decimal": ","}, "utf-8-sig"),
        ({"sep": "\t", "decimal": ","}, "utf-8"),
        ({"sep": "|"}, "utf-16"),
        ({"quoting": 2}, "cp1252"),
        ({"lineterminator": "\r\n"}, "utf-8-sig"),
        ({"float_format": "%.6e"}, "utf-8"),
    ],
    ids=str,
)
def test_a_wide_csv_table_reads_as_pandas_reads_it(
    options: dict, encoding: str, tmp_path: Path, table_profile: ProfileOf, samples_of: SamplesOf
) -> None:
    import pandas as pd

    path = tmp_path / "drive.csv"
    random_table(1).to_csv(path, index=False, encoding=encoding, **options)
    how = {key: value for key, value in options.items() if key in ("sep", "decimal")}
    theirs = pd.read_csv(path, encoding=encoding, engine="python", **how)
    table = open_table(path, table_profile())
    assert samples_of(table, table_profile()) == expected(theirs)
    assert table.counts == {}
    assert table.unused == ("gps_height",)
    assert table.used == {channel: channel for channel in CHANNELS}
    assert (table.format, table.progress) == ("CSV", 1.0)


def test_a_compressed_csv_table_is_the_same_table(
    tmp_path: Path, table_profile: ProfileOf, samples_of: SamplesOf
) -> None:
    random_table(1).to_csv(tmp_path / "drive.csv", index=False)
    packed = tmp_path / "drive.csv.gz"
    packed.write_bytes(gzip.compress((tmp_path / "drive.csv").read_bytes()))
    assert is_table(packed)
    assert samples_of(open_table(packed, table_profile()), table_profile()) == expected(random_table(1))


def test_a_long_csv_table_reads_as_pandas_reads_it(
    tmp_path: Path, table_profile: ProfileOf, samples_of: SamplesOf
) -> None:
    path = tmp_path / "drive.csv"
    wide = random_table(2)
    long = wide.melt("time", var_name="channel").dropna().sort_values("time", kind="stable")
    long.to_csv(path, index=False)
    table = open_table(path, table_profile())
    assert samples_of(table, table_profile()) == expected(wide)
    assert table.counts == {"rows of no channel of the profile": 500}
    assert table.unused == ("gps_height",)


@pytest.mark.parametrize("layout", ["wide", "long"])
@settings(max_examples=25, deadline=None)
@given(size=st.integers(1, 300))
def test_the_samples_do_not_depend_on_the_size_of_the_batches(
    layout: str,
    tmp_path_factory: pytest.TempPathFactory,
    table_profile: ProfileOf,
    samples_of: SamplesOf,
    size: int,
) -> None:
    path = tmp_path_factory.getbasetemp() / f"{layout}.csv"
    frame = random_table(3, 120)
    (frame if layout == "wide" else frame.melt("time", var_name="channel")).to_csv(path, index=False)
    table = open_table(path, table_profile())
    assert samples_of(table, table_profile(), size) == samples_of(table, table_profile())
    assert max(len(batch) for batch in table.batches(size)) <= size


@settings(max_examples=80, deadline=None)
@given(share=st.floats(0, 1))
def test_a_table_cut_at_any_byte_gives_its_first_samples(
    tmp_path_factory: pytest.TempPathFactory, table_profile: ProfileOf, samples_of: SamplesOf, share: float
) -> None:
    path = tmp_path_factory.getbasetemp() / "cut.csv"
    profile = table_profile()
    random_table(4, 60).to_csv(path, index=False)
    content = path.read_bytes()
    whole = samples_of(open_table(path, profile), profile)
    # The header is needed, and one row.
    least = content.index(b"\n", content.index(b"\n") + 1) + 1
    path.write_bytes(content[: least + int(share * (len(content) - least))])
    table = open_table(path, profile)
    for channel, samples in samples_of(table, profile).items():
        assert samples == whole[channel][: len(samples)]
    assert set(table.counts) <= {"last line cut off"}


def csv(tmp_path: Path, text: str, encoding: str = "utf-8") -> Path:
    path = tmp_path / "drive.csv"
    path.write_bytes(text.encode(encoding))
    return path


# 212 degF boils water; 1 psi is 6.894757 kPa and 1 bar 100 kPa (NIST SP 811, appendix B.8, from memory).
@pytest.mark.parametrize(
    ("header", "cell", "channel", "value"),
    [
        ("coolant_temperature [degF]", "212", "coolant_temperature", 100),
        ("Coolant temperature (°F)", "212", "coolant_temperature", 100),
        ("coolant_temperature[K]", "373.15", "coolant_temperature", 100),
        ("manifold_pressure [psi]", "14.5", "manifold_pressure", 99.97397),
        ("MANIFOLD PRESSURE [bar]", "1.5", "manifold_pressure", 150),
        ("manifold_pressure", "150", "manifold_pressure", 150),
        ("manifold_pressure []", "150", "manifold_pressure", 150),
        ("engine_speed [1/min]", "3000", "engine_speed", 3000),
        ("engine_speed [rad/s]", "314.159265", "engine_speed", 3000),
    ],
)
@pytest.mark.parametrize("encoding", ["utf-8", "cp1252"])
def test_a_unit_behind_the_name_is_converted_to_the_channels(
    header: str, cell: str, channel: str, value: float, encoding: str, tmp_path: Path, table_profile, samples_of
) -> None:
    path = csv(tmp_path, f'time,"{header}"\n0.0,{cell}\n', encoding)
    (sample,) = samples_of(open_table(path, table_profile()), table_profile())[channel]
    assert sample[1] == pytest.approx(value, rel=1e-6)
    assert sample[2] == Quality.GOOD


def test_units_in_a_line_of_their_own_are_taken(tmp_path: Path, table_profile, samples_of) -> None:
    path = csv(tmp_path, "time;manifold_pressure;other\n[ms];[bar];[-]\n500;1,5;x\n")
    assert samples_of(open_table(path, table_profile()), table_profile()) == {
        "manifold_pressure": [(SECOND // 2, 150.0, Quality.GOOD)]
    }


TIMES = [
    ("time", "12.345678901", 12_345_678_901),
    ("time [s]", "1436509052.249713", 1_436_509_052_249_713_000),
    ("time [ms]", "1436509052249.713", 1_436_509_052_249_713_000),
    ("Timestamp (us)", "1436509052249713", 1_436_509_052_249_713_000),
    ("t [ns]", "1436509052249713001", 1_436_509_052_249_713_001),
    ("time [min]", "1.5", 90 * SECOND),
    ("time", "2026-05-04T09:30:00Z", 1_777_887_000 * SECOND),
    ("time", "2026-05-04 09:30:00.250", 1_777_887_000 * SECOND + SECOND // 4),
    ("utc", "2026-05-04T11:30:00.000001+02:00", 1_777_887_000 * SECOND + 1000),
    ("time [UTC]", "2026-05-04", 1_777_852_800 * SECOND),
    ("time", "-0.5", -SECOND // 2),
]


@pytest.mark.parametrize(("header", "cell", "nanoseconds"), TIMES)
def test_a_time_is_exact(header: str, cell: str, nanoseconds: int, tmp_path: Path, table_profile, samples_of) -> None:
    """Dates by Python's datetime: 2026-05-04 09:30 UTC is 1777887000 s after the epoch."""
    path = csv(tmp_path, f"{header};engine_speed\n{cell};800\n")
    assert samples_of(open_table(path, table_profile()), table_profile()) == {
        "engine_speed": [(nanoseconds, 800.0, Quality.GOOD)]
    }


def test_a_time_with_a_decimal_comma_is_exact(tmp_path: Path, table_profile, samples_of) -> None:
    path = csv(tmp_path, "time;engine_speed\n1436509052,249713;800,5\n")
    assert samples_of(open_table(path, table_profile()), table_profile()) == {
        "engine_speed": [(1_436_509_052_249_713_000, 800.5, Quality.GOOD)]
    }


def test_the_profile_says_which_column_is_which_and_in_what_unit(tmp_path: Path, table_profile, samples_of) -> None:
    profile = table_profile(
        "{time: Zeit, time_unit: ms, columns: {engine_speed: N_ENG, manifold_pressure: {column: P_MAN, unit: bar}}}"
    )
    path = csv(tmp_path, "Zeit;N_ENG [rad/s];P_MAN [mbar];manifold_pressure\n500;314,159265;1,5;3\n")
    table = open_table(path, profile)
    found = samples_of(table, profile)
    assert found["manifold_pressure"] == [(SECOND // 2, 150.0, Quality.GOOD)]
    assert found["engine_speed"][0][1] == pytest.approx(3000)
    assert table.used == {"engine_speed": "N_ENG [rad/s]", "manifold_pressure": "P_MAN [mbar]"}
    assert table.unused == ("manifold_pressure",)


def test_a_column_the_profile_names_and_the_table_lacks_is_counted(tmp_path: Path, table_profile) -> None:
    profile = table_profile("{columns: {engine_speed: N_ENG, coolant_temperature: T_ENG}}")
    table = open_table(csv(tmp_path, "time,N_ENG\n0,800\n"), profile)
    assert table.counts == {"columns named in the profile that the table does not have": 1}


def test_a_computed_channel_is_not_taken_from_a_table(tmp_path: Path, table_profile, samples_of) -> None:
    path = csv(tmp_path, "time,manifold_pressure,pressure_rise\n0,150,99\n")
    table = open_table(path, table_profile())
    assert list(samples_of(table, table_profile())) == ["manifold_pressure"]
    assert table.unused == ("pressure_rise",)


def test_what_is_in_a_cell_decides_the_quality(tmp_path: Path, table_profile, samples_of) -> None:
    cells = ["9.999", "10", "300", "300.001", "", " ", "nan", "none", "inf", "1,5"]
    path = csv(tmp_path, "time;manifold_pressure\n" + "".join(f"{i};{cell}\n" for i, cell in enumerate(cells)))
    table = open_table(path, table_profile())
    found = samples_of(table, table_profile())["manifold_pressure"]
    assert [(time // SECOND, value, Quality(quality)) for time, value, quality in found if value == value] == [
        (0, 9.999, Quality.OUT_OF_RANGE),
        (1, 10.0, Quality.GOOD),
        (2, 300.0, Quality.GOOD),
        (3, 300.001, Quality.OUT_OF_RANGE),
        (9, 1.5, Quality.OUT_OF_RANGE),
    ]
    assert [(time // SECOND, quality) for time, value, quality in found if value != value] == [
        (7, Quality.INVALID),
        (8, Quality.INVALID),
    ]
    assert table.counts == {"cells that hold no number": 2}


def test_words_of_a_value_table_are_numbers(tmp_path: Path, table_profile, samples_of) -> None:
    path = csv(tmp_path, "time,pump_state\n0,running\n1,IDLE\n2,broken\n3,1\n")
    table = open_table(path, table_profile())
    values = [(value, quality) for _, value, quality in samples_of(table, table_profile())["pump_state"]]
    assert values[:2] + values[3:] == [(1.0, Quality.GOOD), (0.0, Quality.GOOD), (1.0, Quality.GOOD)]
    assert values[2][1] == Quality.INVALID


def test_rows_that_do_not_fit_the_header_are_left_out_and_counted(tmp_path: Path, table_profile, samples_of) -> None:
    path = csv(
        tmp_path,
        "# a remark\n\ntime,engine_speed,other\n0,800,x\n\n1,80,0,x\n2,800\n"
        "late,800,x\n3,800,x,,\n,800,x\n4,800,x\n5,8",
    )
    table = open_table(path, table_profile())
    times = [time // SECOND for time, _, _ in samples_of(table, table_profile())["engine_speed"]]
    assert times == [0, 3, 4]
    assert table.counts == {
        "rows with another number of cells than the header, not used": 2,
        "rows whose time cannot be read, not used": 2,
        "last line cut off": 1,
    }


def test_units_of_a_long_table_stand_with_each_value(tmp_path: Path, table_profile, samples_of) -> None:
    path = csv(
        tmp_path,
        "time,channel,value,unit\n0,manifold_pressure,1.5,bar\n0,coolant_temperature,212,degF\n"
        "1,manifold_pressure,150,kPa\n2,manifold_pressure,150,\n3,manifold_pressure,3,rpm\n4,manifold_pressure,,kPa\n",
    )
    table = open_table(path, table_profile())
    found = samples_of(table, table_profile())
    assert found["manifold_pressure"] == [(second * SECOND, 150.0, Quality.GOOD) for second in range(3)]
    assert found["coolant_temperature"][0][1] == pytest.approx(100)
    assert table.counts == {"rows of 'manifold_pressure' in 'rpm', which does not fit": 1}


@pytest.mark.parametrize("layout", ["wide", "long"])
def test_a_parquet_table_reads_as_pandas_reads_it(
    layout: str, tmp_path: Path, table_profile: ProfileOf, samples_of: SamplesOf
) -> None:
    path = tmp_path / "drive.parquet"
    wide = random_table(5)
    frame = wide if layout == "wide" else wide.melt("time", var_name="channel").astype({"channel": "category"})
    frame.to_parquet(path, row_group_size=100)
    assert is_table(path)
    table = open_table(path, table_profile())
    assert samples_of(table, table_profile(), 70) == expected(wide)
    assert table.unused == ("gps_height",)
    assert (table.format, table.progress) == ("Parquet", 1.0)


def test_every_type_of_a_parquet_column_that_is_a_number_is_read(
    tmp_path: Path, table_profile: ProfileOf, samples_of: SamplesOf
) -> None:
    import pandas as pd

    path = tmp_path / "drive.parquet"
    times = pd.to_datetime([1_777_887_000_000_000_001, 1_777_887_001_000_000_000, None], utc=True)
    pd.DataFrame(
        {
            "utc": times,
            "engine_speed": pd.array([800, None, 802], "Int16"),
            "manifold_pressure": [Decimal("99.5"), Decimal("10.25"), None],
            "coolant_temperature": ["85,5", "86.5", "87"],
            "pump_state": [True, False, True],
        }
    ).to_parquet(path)
    table = open_table(path, table_profile())
    first, second = 1_777_887_000_000_000_001, 1_777_887_001_000_000_000
    found = samples_of(table, table_profile())
    assert found["engine_speed"] == [(first, 800.0, Quality.GOOD)]
    assert found["manifold_pressure"] == [(first, 99.5, Quality.GOOD), (second, 10.25, Quality.GOOD)]
    assert found["coolant_temperature"][1:] == [(second, 86.5, Quality.GOOD)]
    assert found["pump_state"] == [(first, 1.0, Quality.GOOD), (second, 0.0, Quality.GOOD)]
    assert table.counts == {"rows whose time cannot be read, not used": 1, "cells that hold no number": 1}


def test_whole_nanoseconds_of_a_parquet_table_stay_exact(tmp_path: Path, table_profile, samples_of) -> None:
    import pandas as pd

    path = tmp_path / "drive.parquet"
    pd.DataFrame({"time [ns]": [1_777_887_000_000_000_001], "engine_speed": [800]}).to_parquet(path)
    assert samples_of(open_table(path, table_profile()), table_profile())["engine_speed"] == [
        (1_777_887_000_000_000_001, 800.0, Quality.GOOD)
    ]


def mf4(path: Path, seed: int, rows: int = 300) -> Path:
    """Three groups with times of their own; one channel with values marked invalid; one as a conversion with words."""
    import asammdf

    chance = np.random.default_rng(seed)
    fast = np.cumsum(chance.integers(1, 20, rows)) / 1000
    slow = np.cumsum(chance.integers(50, 200, rows // 10)) / 1000
    with asammdf.MDF() as file:
        file.append(
            [
                asammdf.Signal(chance.uniform(0, 320, rows) / 100, fast, name="manifold_pressure", unit="bar"),
                asammdf.Signal(
                    chance.integers(700, 7000, rows).astype(np.uint16), fast, name="engine_speed", unit="rpm"
                ),
            ]
        )
        file.append(
            [
                asammdf.Signal(
                    chance.uniform(20, 110, len(slow)), slow, name="coolant_temperature", unit="°C",
                    invalidation_bits=chance.random(len(slow)) < 0.3,
                )
            ]
        )  # fmt: skip
        words = {"val_0": 0, "text_0": "idle", "val_1": 1, "text_1": "running", "default": "unknown"}
        file.append(
            [asammdf.Signal(chance.integers(0, 2, 20).astype(np.uint8), slow[:20], name="pump_state", conversion=words)]
        )
        file.append([asammdf.Signal(fast, fast, name="gps_height", unit="m")])
        file.save(path)
    return path


@pytest.mark.parametrize("size", [1, 17, 65536])
def test_an_mf4_table_reads_as_asammdf_reads_it(
    size: int, tmp_path: Path, table_profile: ProfileOf, samples_of: SamplesOf
) -> None:
    import asammdf

    path = mf4(tmp_path / "drive.mf4", 6)
    assert is_table(path)
    table = open_table(path, table_profile())
    found = samples_of(table, table_profile(), size)
    with asammdf.MDF(path) as file:
        begun = round(file.header.start_time.timestamp() * 1e6) * 1000
        for channel, scale in (
            ("engine_speed", 1),
            ("manifold_pressure", 100),
            ("coolant_temperature", 1),
            ("pump_state", 1),
        ):
            signal = file.get(channel, ignore_invalidation_bits=True, raw=channel == "pump_state")
            assert [each[0] for each in found[channel]] == [begun + round(t * SECOND) for t in signal.timestamps]
            assert [each[1] for each in found[channel]] == pytest.approx((signal.samples * scale).tolist(), rel=1e-12)
            quality = np.zeros(len(signal.samples))
            if channel == "manifold_pressure":
                quality[(signal.samples < 0.1) | (signal.samples > 3.0)] = Quality.OUT_OF_RANGE
            if signal.invalidation_bits is not None:
                quality[signal.invalidation_bits] = Quality.INVALID
            assert [each[2] for each in found[channel]] == quality.tolist()
    assert table.unused == ("gps_height",)
    assert (table.format, table.counts, table.progress) == ("MF4", {}, 1.0)


def test_the_rows_of_an_mf4_table_come_in_order_of_time(tmp_path: Path, table_profile: ProfileOf) -> None:
    table = open_table(mf4(tmp_path / "drive.mf4", 7), table_profile())
    times = np.concatenate([batch.time for batch in table.batches(40)])
    assert (np.diff(times) >= 0).all()
    assert len(times) == 300 + 30 + 20


@pytest.mark.parametrize(
    ("name", "content", "table"),
    [
        ("a.csv", b"time,engine_speed\n0,800\n", True),
        ("a.csv", b"timestamp,arbitration_id,extended,remote,error,dlc,data\n", False),
        ("a.csv.gz", gzip.compress(b"timestamp,arbitration_id,extended,remote,error,dlc,data\n"), False),
        ("a.tsv", b"time\tengine_speed\n0\t800\n", True),
        ("a.txt", b"time;engine_speed\n0;800\n", True),
        ("a.txt", b"(1.5) can0 123#11\n", False),
        ("a.log", b"time,engine_speed\n0,800\n", False),
        ("a.parquet", b"PAR1", True),
        ("a.mf4", b"nothing", False),
    ],
)
def test_name_and_content_tell_a_table_from_a_recording(tmp_path: Path, name: str, content: bytes, table: bool) -> None:
    path = tmp_path / name
    path.write_bytes(content)
    assert is_table(path) is table


def test_frames_in_mf4_make_it_a_recording(every_recording: dict[str, Path]) -> None:
    assert not is_table(every_recording[".mf4"])
