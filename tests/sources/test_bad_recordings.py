"""What is said of a path that cannot be read as a recording, word for word."""

from __future__ import annotations

import gzip
import os
import random
from collections.abc import Callable
from pathlib import Path

import can
import numpy as np
import pytest

from livewatch.errors import SourceError
from livewatch.sources.recordings.recording import open_recording

KNOWN = ".log, .blf, .asc, .trc, .csv, .db, .mf4"


def complaint(path: Path) -> str:
    with pytest.raises(SourceError) as caught:
        open_recording(path)
    assert caught.value.exit_code == 4
    assert caught.value.__suppress_context__ or caught.value.__context__ is None
    return str(caught.value)


def test_a_missing_file(tmp_path: Path) -> None:
    path = tmp_path / "drive.log"
    assert complaint(path) == f"{path}: there is no such file"


def test_a_directory(tmp_path: Path) -> None:
    assert complaint(tmp_path) == f"{tmp_path}: this is a directory, expected a file"


def test_an_empty_file(tmp_path: Path) -> None:
    path = tmp_path / "drive.log"
    path.touch()
    assert complaint(path) == f"{path}: the file is empty: nothing was recorded, or it was not copied; copy it again"


def test_a_file_that_may_not_be_read(tmp_path: Path) -> None:
    path = tmp_path / "drive.log"
    path.write_bytes(b"(1.5) can0 123#11\n")
    path.chmod(0)
    user = os.geteuid()
    if user == 0:
        os.seteuid(65534)
    try:
        assert complaint(path) == f"{path}: no permission to read it"
    finally:
        os.seteuid(user)


@pytest.mark.parametrize(
    ("name", "shown", "hint"),
    [
        ("drive.xyz", "'.xyz' is the suffix of no known kind of recording", ""),
        ("drive.xyz.gz", "'.xyz' is the suffix of no known kind of recording", ""),
        ("drive.lgo", "'.lgo' is the suffix of no known kind of recording", " (did you mean .log?)"),
        ("drive", "a name without a suffix", ""),
        ("drive.gz", "a name without a suffix", ""),
    ],
)
def test_an_unknown_suffix(tmp_path: Path, name: str, shown: str, hint: str) -> None:
    path = tmp_path / name
    path.write_bytes(b"something\n")
    assert complaint(path) == f"{path}: {shown}, expected one of {KNOWN}, or one of these followed by .gz{hint}"


def test_an_unknown_suffix_with_content_that_is_known(tmp_path: Path) -> None:
    path = tmp_path / "drive.txt"
    path.write_bytes(b"(1.5) can0 123#11\n")
    assert complaint(path) == (
        f"{path}: '.txt' is the suffix of no known kind of recording, expected one of {KNOWN}, or one of these "
        "followed by .gz; its content looks like candump, .log"
    )


@pytest.mark.parametrize("suffix", [".blf", ".asc", ".trc", ".csv", ".db", ".mf4"])
def test_a_recording_of_another_format_named_log(suffix: str, tmp_path: Path, every_recording: dict[str, Path]) -> None:
    kind = {".db": "SQLite"}.get(suffix, suffix[1:].upper())
    for name in ("drive.log", "drive.log.gz"):
        path = tmp_path / name
        content = every_recording[suffix].read_bytes()
        path.write_bytes(gzip.compress(content) if name.endswith(".gz") else content)
        assert complaint(path) == (
            f"{path}: by its name a candump recording, but its content looks like {kind}; give it the suffix {suffix}"
        )


@pytest.mark.parametrize(
    ("suffix", "kind"),
    [(".log", "candump"), (".blf", "BLF"), (".asc", "ASC"), (".trc", "TRC"), (".csv", "CSV"), (".log.gz", "candump")],
)
def test_binary_noise(tmp_path: Path, suffix: str, kind: str) -> None:
    path = tmp_path / f"drive{suffix}"
    noise = random.Random(2).randbytes(100_000)
    path.write_bytes(gzip.compress(noise) if suffix.endswith(".gz") else noise)
    message = complaint(path)
    assert message.startswith(f"{path}: no {kind} frame in it")
    assert message.endswith("; its content is binary, of no known kind")


def test_binary_noise_named_as_a_database(tmp_path: Path) -> None:
    path = tmp_path / "drive.db"
    path.write_bytes(random.Random(2).randbytes(65536 * 2))
    assert complaint(path) == (
        f"{path}: no SQLite frame in it (1 places behind which nothing can be read); "
        "its content is binary, of no known kind"
    )


def test_binary_noise_named_mf4(tmp_path: Path) -> None:
    path = tmp_path / "drive.mf4"
    path.write_bytes(b"MDF     4.10" + random.Random(2).randbytes(50))
    assert complaint(path).startswith(f"{path}: this is no whole MF4 file: ")


def test_text_that_is_no_recording(tmp_path: Path) -> None:
    path = tmp_path / "notes.log"
    path.write_bytes(b"Notes of the drive\nIt rained.\n")
    assert complaint(path) == (
        f"{path}: no candump frame in it (2 lines that are not frames); its first line reads 'Notes of the drive'"
    )


def test_a_recording_without_a_frame(tmp_path: Path) -> None:
    path = tmp_path / "drive.asc"
    with can.ASCWriter(str(path)):
        pass
    assert complaint(path) == f"{path}: no ASC frame in it; what there is looks like ASC"


@pytest.mark.parametrize(
    ("length", "rest"),
    [
        (12, "1 compressed data cut off); nothing can be read of it"),
        (19, "1 compressed data cut off, 1 last line cut off); its first line reads '(1.5'"),
    ],
)
def test_a_compressed_recording_cut_before_its_first_frame(tmp_path: Path, length: int, rest: str) -> None:
    path = tmp_path / "drive.log.gz"
    path.write_bytes(gzip.compress(b"(1.5) can0 123#11\n", 0)[:length])
    assert complaint(path) == f"{path}: no candump frame in it ({rest}"


def test_a_compressed_database(tmp_path: Path, every_recording: dict[str, Path]) -> None:
    path = tmp_path / "drive.db.gz"
    path.write_bytes(gzip.compress(every_recording[".db"].read_bytes()))
    assert complaint(path) == f"{path}: a SQLite recording cannot be read compressed; unpack it first"


def test_a_cut_database(tmp_path: Path, every_recording: dict[str, Path]) -> None:
    path = tmp_path / "drive.db"
    path.write_bytes(every_recording[".db"].read_bytes()[:-100])
    assert complaint(path) == f"{path}: this SQLite recording was cut off; it cannot be read without doubt"


def test_a_table_of_channels_opened_as_a_recording(tmp_path: Path) -> None:
    asammdf = pytest.importorskip("asammdf")
    path = tmp_path / "channels.mf4"
    with asammdf.MDF() as file:
        file.append([asammdf.Signal(np.arange(3.0), np.arange(3.0), name="engine_speed", unit="rpm")])
        file.save(path)
    assert complaint(path) == f"{path}: this holds decoded channels: it is a table, not a recording"


def test_mf4_without_the_package_that_reads_it(
    tmp_path: Path, every_recording: dict[str, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(__import__("sys").modules, "asammdf", None)
    path = every_recording[".mf4"]
    assert complaint(path) == f'{path}: reading MF4 needs the package asammdf: pip install "livewatch[tables]"'


def test_a_disk_that_fails_on_the_way(
    tmp_path: Path, every_recording: dict[str, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "drive.log"
    path.write_bytes(b"(1.5) can0 123#11\n" * 100_000)
    recording = open_recording(path)
    file = recording._reader.stream._file  # the only way to a failing disk

    class Failing:
        def read(self, size: int) -> bytes:
            raise OSError(5, "Input/output error")

        def __getattr__(self, name: str) -> Callable[..., object]:
            return getattr(file, name)

    monkeypatch.setattr(recording._reader.stream, "_file", Failing())
    with pytest.raises(SourceError) as caught:
        for _ in recording.batches():
            pass
    assert str(caught.value) == f"{path}: reading it failed: Input/output error"
