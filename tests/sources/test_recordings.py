"""Recordings of every format, read as python-can reads them.

Oracle throughout: python-can's own readers, on the sample recordings of its source archive and on recordings that its
writers make of random traffic.
"""

from __future__ import annotations

import gzip
import logging
import shutil
import subprocess
import sys
import tracemalloc
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import can
import numpy as np
import pytest

from livewatch.data.frames import ERROR, FrameBatch
from livewatch.data.messages import columns_by_channel
from livewatch.data.python_can import with_mf4
from livewatch.sources.recordings.blf import blf_reader as blf
from livewatch.sources.recordings.blf import objects
from livewatch.sources.recordings.candump import candump_reader as candump
from livewatch.sources.recordings.candump import lines
from livewatch.sources.recordings.recording import FORMATS, Recording, open_recording

Row = tuple[int, str, int, int, int, bytes]
ReadRows = Callable[..., tuple[list[Row], Recording]]
SUFFIXES = (".log", ".asc", ".blf", ".csv", ".trc", ".db", ".mf4")

MICROSECOND = 1_000


def as_python_can_has_it(path: Path, rows_of: Callable[[FrameBatch], list[Row]]) -> list[Row]:
    with can.LogReader(str(path)) as reader:
        return rows_of(columns_by_channel(list(reader)))


def assert_same(mine: list[Row], theirs: list[Row], later: int = 0, tolerance: int = MICROSECOND) -> None:
    """`later`: ns that python-can's times lack; `tolerance`: its times are floats, exact to some 0.2 us today."""
    assert len(mine) == len(theirs)
    for my, their in zip(mine, theirs, strict=True):
        assert my[1:] == their[1:]
        assert abs(my[0] - their[0] - later) <= tolerance


SAMPLES = [
    "issue_1256.asc",
    "issue_1299.asc",
    "logfile.asc",
    "logfile_errorframes.asc",
    "single_frame.asc",
    "single_frame_us_locale.asc",
    "test_CanErrorFrames.asc",
    "test_CanFdMessage.asc",
    "test_CanFdMessage64.asc",
    "test_CanFdRemoteMessage.asc",
    "test_CanMessage.asc",
    "test_CanMessage.asc.gz",
    "test_CanRemoteMessage.asc",
    "issue_1905.blf",
    "test_CanErrorFrameExt.blf",
    "test_CanFdMessage.blf",
    "test_CanFdMessage64.blf",
    "test_CanMessage.blf",
    "test_CanMessage2.blf",
    "test_CanMessage.trc",
    "test_CanMessage_V1_0_BUS1.trc",
    "test_CanMessage_V1_1.trc",
    "test_CanMessage_V1_3.trc",
    "test_CanMessage_V2_0_BUS1.trc",
    "test_CanMessage_V2_1.trc",
]


def test_no_sample_recording_is_forgotten(python_can_samples: Path) -> None:
    known = set(FORMATS) | {".gz"}
    assert sorted(SAMPLES) == sorted(path.name for path in python_can_samples.iterdir() if path.suffix in known)


@pytest.mark.parametrize("name", SAMPLES)
def test_a_sample_recording_reads_as_python_can_reads_it(
    name: str, python_can_samples: Path, read_rows: ReadRows, rows_of: Callable[[FrameBatch], list[Row]]
) -> None:
    mine, _ = read_rows(python_can_samples / name)
    theirs = as_python_can_has_it(python_can_samples / name, rows_of)
    # python-can counts ASC times from the beginning; ours add the date in the file.
    later = open_recording(python_can_samples / name).start_time if ".asc" in name else 0
    assert_same(mine, theirs, later)
    assert len(mine) > 0


@pytest.mark.parametrize("suffix", SUFFIXES)
def test_random_traffic_reads_as_python_can_reads_it(
    suffix: str,
    every_recording: dict[str, Path],
    read_rows: ReadRows,
    rows_of: Callable[[FrameBatch], list[Row]],
) -> None:
    path = every_recording[suffix]
    mine, recording = read_rows(path)
    theirs = as_python_can_has_it(path, rows_of)
    later = open_recording(path).start_time if suffix == ".asc" else 0
    if suffix == ".log":
        # Of an error frame in candump text python-can keeps the time only.
        mine = [(*row[:1], "0", 0, row[3] | 1, 0, b"") if row[3] & ERROR else row for row in mine]
    assert_same(mine, theirs, later)
    assert len(mine) >= 350
    assert recording.counts == {}
    assert recording.progress == 1.0


@pytest.mark.parametrize("suffix", [".log", ".asc", ".blf", ".csv", ".trc", ".mf4"])
def test_a_compressed_recording_is_the_same_recording(
    suffix: str, every_recording: dict[str, Path], tmp_path: Path, read_rows: ReadRows
) -> None:
    packed = tmp_path / f"drive{suffix}.gz"
    packed.write_bytes(gzip.compress(every_recording[suffix].read_bytes()))
    assert read_rows(packed)[0] == read_rows(every_recording[suffix])[0]


def test_two_compressed_recordings_one_behind_the_other_are_one(
    every_recording: dict[str, Path], tmp_path: Path, read_rows: ReadRows
) -> None:
    content = every_recording[".log"].read_bytes()
    half = content.index(b"\n", len(content) // 2) + 1
    packed = tmp_path / "drive.log.gz"
    packed.write_bytes(gzip.compress(content[:half]) + gzip.compress(content[half:]) + bytes(512))
    rows, recording = read_rows(packed)
    assert rows == read_rows(every_recording[".log"])[0]
    assert recording.counts == {}


@pytest.mark.parametrize("suffix", SUFFIXES)
def test_the_frames_do_not_depend_on_the_size_of_the_batches(
    suffix: str, every_recording: dict[str, Path], rows_of: Callable[[FrameBatch], list[Row]]
) -> None:
    recording = open_recording(every_recording[suffix])
    whole = [row for batch in recording.batches() for row in rows_of(batch)]
    n = len(whole)
    assert n > 350
    # Each reading of an MF4 recording is a process of its own.
    for size in (7, n - 1) if suffix == ".mf4" else (1, 2, 7, 64, n // 2, n // 2 + 1, n - 1, n, n + 1):
        batches = list(recording.batches(size))
        assert [row for batch in batches for row in rows_of(batch)] == whole
        assert {len(batch) for batch in batches[:-1]} <= {size}
        assert 0 < len(batches[-1]) <= size


def test_reading_anew_gives_the_same_frames_and_counts(tmp_path: Path, rows_of: Callable) -> None:
    path = tmp_path / "drive.log"
    path.write_bytes(b"(1.5) can0 123#11\nno frame at all\n(2.5) can0 123#12\n")
    recording = open_recording(path)
    first = [row for batch in recording.batches() for row in rows_of(batch)]
    assert recording.counts == {"lines that are not frames": 1}
    assert [row for batch in recording.batches() for row in rows_of(batch)] == first
    assert recording.counts == {"lines that are not frames": 1}


@pytest.mark.parametrize(
    ("name", "hour"),
    [
        ("logfile.asc", 15),  # Sam Sep 30 15:06:13.191 2017
        ("test_CanMessage.asc", 22),  # Sat Sep 30 10:06:13.191 PM 2017
    ],
)
def test_an_asc_recording_begins_at_its_date_taken_as_utc(name: str, hour: int, python_can_samples: Path) -> None:
    """The same on a machine in any time zone."""
    moment = datetime(2017, 9, 30, hour, 6, 13, tzinfo=UTC)
    assert open_recording(python_can_samples / name).start_time == int(moment.timestamp()) * 10**9 + 191_000_000


def test_a_blf_recording_begins_at_the_time_in_its_header(tmp_path: Path, write_recording: Callable) -> None:
    path = write_recording(tmp_path / "drive.blf", [can.Message(timestamp=1_700_000_000.1234567)])
    assert open_recording(path).start_time == 1_700_000_000_123_000_000


def test_asc_times_that_count_from_the_line_before_are_added_up(tmp_path: Path, read_rows: ReadRows) -> None:
    """`timestamps relative`: common practice, no source."""
    path = tmp_path / "drive.asc"
    path.write_text(
        "date Mon May 4 09:30:00.000 am 2026\nbase hex  timestamps relative\ninternal events logged\n"
        "   0.500000 1  123  Rx  d 1 11\n   0.250000 1  Statistic: D 0 R 0\n   0.250000 2  124  Rx  d 1 12\n"
    )
    begun = int(datetime(2026, 5, 4, 9, 30, tzinfo=UTC).timestamp()) * 10**9
    rows, _ = read_rows(path)
    assert [(row[0] - begun, row[1], row[2]) for row in rows] == [(500_000_000, "0", 0x123), (10**9, "1", 0x124)]


def test_the_first_frame_of_an_asc_file_with_a_short_header_is_not_lost(tmp_path: Path, read_rows: ReadRows) -> None:
    path = tmp_path / "drive.asc"
    path.write_text("base hex  timestamps absolute\n   0.5 1  123  Rx  d 1 11\n   0.6 1  124  Rx  d 1 11\n")
    assert [row[2] for row in read_rows(path)[0]] == [0x123, 0x124]


@pytest.mark.parametrize("suffix", [".log", ".blf"])
def test_python_can_takes_over_at_the_frame_where_our_reader_fails(
    suffix: str,
    tmp_path: Path,
    traffic: Callable,
    write_recording: Callable,
    read_rows: ReadRows,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    path = write_recording(tmp_path / f"drive{suffix}", traffic(3, 6000, fd=False))
    reader, module, name = {".log": (candump, lines, "parse_lines"), ".blf": (blf, objects, "parse_objects")}[suffix]
    monkeypatch.setattr(reader, "_CHUNK", 1 << 16)
    whole, _ = read_rows(path)
    parse = getattr(module, name)
    calls: list[None] = []

    def failing(*arguments: object) -> object:
        calls.append(None)
        if len(calls) == 2:
            raise RuntimeError("no more")
        return parse(*arguments)

    monkeypatch.setattr(module, name, failing)
    rows, recording = read_rows(path)
    taken_over = recording.counts["frames read by python-can's reader, where ours could not go on"]
    assert 0 < taken_over < len(whole)
    ours, theirs = rows[:-taken_over], rows[-taken_over:]
    assert ours == whole[: len(ours)]
    if suffix == ".log":
        theirs = [row for row in theirs if not row[3] & ERROR]
        whole = [row for row in whole[len(ours) :] if not row[3] & ERROR]
        assert_same(theirs, whole)
    else:
        assert_same(theirs, whole[len(ours) :])


def test_nothing_python_can_logs_reaches_the_user(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    path = tmp_path / "drive.trc"
    path.write_text(
        ";$FILEVERSION=1.1\n;$STARTTIME=43008.920986006946\n;\n"
        "     1)  1.0  Rx  0123  1  11\n     2)  2.0  Rx  0123  8\n"
    )
    with caplog.at_level(logging.DEBUG):
        recording = open_recording(path)
        assert sum(map(len, recording.batches())) == 1
    assert caplog.records == []
    assert recording.counts == {"lines that are not frames": 1}


def test_memory_does_not_grow_with_the_recording(tmp_path: Path) -> None:
    line = b"(1700000000.%06d) can0 123#1122334455667788\n"
    content = b"".join(line % i for i in range(20_000))
    peaks = []
    for times in (2, 20):
        path = tmp_path / f"drive{times}.log"
        with path.open("wb") as file:
            for _ in range(times):
                file.write(content)
        recording = open_recording(path)
        tracemalloc.start()
        assert sum(len(batch) for batch in recording.batches(5000)) == 20_000 * times
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert peaks[1] < 1.2 * peaks[0]


def test_a_recording_may_be_compressed_whatever_its_name_says(
    every_recording: dict[str, Path], tmp_path: Path, read_rows: ReadRows
) -> None:
    packed = tmp_path / "drive.blf"
    packed.write_bytes(gzip.compress(every_recording[".blf"].read_bytes()))
    plain = tmp_path / "other.blf.gz"
    shutil.copy(every_recording[".blf"], plain)
    assert read_rows(packed)[0] == read_rows(plain)[0] == read_rows(every_recording[".blf"])[0]


@pytest.mark.parametrize(
    ("suffix", "frames"),
    [(".log", 20_000), (".blf", 40_000), (".asc", 4000), (".trc", 4000), (".csv", 4000), (".mf4", 4000)],
)
def test_progress_grows_to_the_whole(
    suffix: str, frames: int, tmp_path: Path, traffic: Callable, write_recording: Callable
) -> None:
    recording = open_recording(write_recording(tmp_path / f"drive{suffix}", traffic(4, frames, fd=False)))
    seen = [recording.progress for _ in recording.batches(100)]
    assert seen == sorted(seen)
    assert seen[0] < seen[-1] <= 1.0
    assert recording.progress == 1.0


def test_a_recording_as_text_loads_nothing_of_mf4_which_can_be_written_all_the_same(tmp_path: Path) -> None:
    message = can.Message(timestamp=1.0, arbitration_id=0x1A4, data=b"\1\2", is_extended_id=False, channel="0")
    with can.ASCWriter(str(tmp_path / "drive.asc")) as writer:
        writer.on_message_received(message)
    code = (
        "import sys; from pathlib import Path; from livewatch import open_recording, write_recording; "
        "frames = list(open_recording('drive.asc').batches()); print(len(frames[0]), 'asammdf' in sys.modules); "
        "print(write_recording(frames, Path('drive.mf4')), 'asammdf' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=tmp_path)
    assert done.stdout.splitlines() == ["1 False", "1 True"]
    with with_mf4().LogReader(str(tmp_path / "drive.mf4")) as reader:
        assert [bytes(one.data) for one in reader] == [b"\1\2"]


def test_reading_mf4_does_not_run_the_program_that_reads_it_once_more(
    every_recording: dict[str, Path], read_rows: Callable, monkeypatch: pytest.MonkeyPatch
) -> None:
    program = sys.modules["__main__"]
    monkeypatch.setattr(program, "__spec__", None)
    monkeypatch.setattr(program, "__file__", "/a script/that would fail.py", raising=False)
    assert len(read_rows(every_recording[".mf4"])[0]) == 400
    assert sys.modules["__main__"] is program


def test_decoded_channels_beside_the_frames_of_an_mf4_are_said_to_be_left_out(
    tmp_path: Path, every_recording: dict[str, Path], read_rows: ReadRows
) -> None:
    import asammdf

    path = tmp_path / "both.mf4"
    with asammdf.MDF(every_recording[".mf4"]) as file:
        file.append([asammdf.Signal(np.arange(5.0), np.arange(5.0), name="engine_speed", unit="rpm")])
        file.save(path)
    rows, recording = read_rows(path)
    assert rows == read_rows(every_recording[".mf4"])[0]
    assert recording.counts == {"groups of decoded channels, left out because there are frames": 1}
