"""A folder of recordings: one row each, worst first, whatever is in it and however often the reading was cut short."""

from __future__ import annotations

import csv
import errno
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from livewatch import Diagnosis, Failure, Pile, PileRow, PileWork, recordings_in
from livewatch.commands.cli import main
from livewatch.diagnosis.pile import processes as pool
from livewatch.diagnosis.pile import work as pile_run
from livewatch.diagnosis.pile.table import COLUMNS
from livewatch.profile import load_profile
from livewatch.profile.shipped import find_profile
from livewatch.simulator import Scenario, simulate
from livewatch.simulator.bus_frames import broadcast
from livewatch.sources.recordings.candump.line_writer import format_candump

NAMES = ("a.log", "b.log", "sub/c.log")
HOSTILE = "<script>alert(1)<&>[red]\x1b[31m.log"


@pytest.fixture(scope="module")
def drives(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three drives of three, four and five seconds with photos and notes beside them."""
    folder = tmp_path_factory.mktemp("pile")
    profile = load_profile(find_profile("brackwell_20t"))
    (folder / "sub").mkdir()
    for number, name in enumerate(NAMES):
        drive = simulate(Scenario(car="brackwell_20t", route="mixed", duration=3 + number, seed=2000 + number))
        (folder / name).write_bytes(b"".join(format_candump(batch) for batch in broadcast(drive, profile)))
    (folder / "photo.jpg").write_bytes(bytes(range(256)) * 4)
    (folder / "notes.txt").write_text("third gear, warm\n")
    return folder


@pytest.fixture
def folder(drives: Path, tmp_path: Path) -> Path:
    """The same, to be changed."""
    return Path(shutil.copytree(drives, tmp_path / "pile"))


@pytest.fixture
def kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("LIVEWATCH_CACHE", str(tmp_path / "kept"))
    return tmp_path / "kept" / "pile"


def rows(work: PileWork) -> list[PileRow]:
    found = {told.number: told.row for told in work.rows()}
    return [found[number] for number in range(len(work.recordings))]


def table(path: Path) -> list[dict[str, str]]:
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def test_a_folder_with_photos_is_a_table_of_its_recordings(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code = main(["diagnose", str(folder), "-p", "brackwell_20t", "--table", str(tmp_path / "t.csv")])
    out, err = capsys.readouterr()
    assert code == 0 and err == f"The table is in {tmp_path / 't.csv'}\n"
    assert "3 recordings: 3 unproven." in out and "2 files (notes.txt, photo.jpg)" in out
    assert sorted(row["recording"] for row in table(tmp_path / "t.csv")) == [str(folder / name) for name in NAMES]


def test_the_worst_comes_first_and_a_bad_file_ends_nothing(folder: Path, tmp_path: Path) -> None:
    (folder / "b.log").write_bytes(os.urandom(300))
    (folder / "empty.log").touch()
    (folder / "session").mkdir()
    (folder / "session" / "events.jsonl").touch()
    code = main(["diagnose", str(folder), "-p", "brackwell_20t", "--table", str(tmp_path / "t.csv")])
    found = table(tmp_path / "t.csv")
    assert code == 4
    assert [row["verdict"] for row in found] == ["unproven"] * 3 + ["not read"] * 2
    assert "no candump frame in it" in found[3]["why"]
    assert Path(found[4]["recording"]).name == "empty.log"


def test_all_three_kinds_of_table_say_the_same(folder: Path, tmp_path: Path) -> None:
    files = [tmp_path / f"t.{kind}" for kind in ("csv", "parquet", "html")]
    options = [option for file in files for option in ("--table", str(file))]
    assert main(["diagnose", str(folder), "-p", "brackwell_20t", *options]) == 0
    from pyarrow import parquet

    stored = parquet.read_table(files[1]).to_pylist()
    for line, row in zip(table(files[0]), stored, strict=True):
        assert list(line) == list(row) == list(COLUMNS)
        for name, value in row.items():
            if isinstance(value, float):
                assert float(line[name]) == value
            else:
                assert line[name] == ("" if value is None else str(value))
    page = files[2].read_text()
    assert all(line["why"] in page for line in table(files[0]))
    assert "http" not in page.replace("http-equiv", "")


def test_names_with_markup_are_words(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    (folder / "a.log").rename(folder / HOSTILE)
    (folder / "b.log").rename(folder / "=HYPERLINK(1).log")
    files = [tmp_path / f"t.{kind}" for kind in ("csv", "parquet", "html")]
    options = [option for file in files for option in ("--table", str(file))]
    monkeypatch.chdir(folder)
    assert main(["diagnose", ".", "-p", "brackwell_20t", *options]) == 0
    page, out = files[2].read_text(), capsys.readouterr().out
    assert "<script" not in page and "&lt;script&gt;alert(1)&lt;&amp;&gt;[red]\\x1b[31m.log" in page
    assert "\x1b" not in page and "\x1b" not in out and "[red]" in out
    assert "'=HYPERLINK(1).log" in {row["recording"] for row in table(files[0])}


def test_what_an_earlier_run_has_read_is_not_read_again(
    folder: Path, kept: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    paths = recordings_in([folder]).paths
    whole = rows(PileWork(paths, Pile("brackwell_20t")))
    shutil.rmtree(kept)
    cut_short = PileWork(paths, Pile("brackwell_20t")).rows()
    next(cut_short)
    cut_short.close()
    read: list[Path] = []
    honest = pile_run._read_one

    def noting(path: Path, pile: Pile, make: object) -> object:
        read.append(path)
        return honest(path, pile, None)

    monkeypatch.setattr(pile_run, "_read_one", noting)
    assert rows(PileWork(paths, Pile("brackwell_20t"))) == whole
    assert len(read) == 2
    assert rows(PileWork(paths, Pile("brackwell_20t"))) == whole and len(read) == 2
    with (folder / "a.log").open("ab") as file:
        file.write(b"(1777884699.000000) can0 0F0#01\n")
    rows(PileWork(paths, Pile("brackwell_20t")))
    assert read[2:] == [folder / "a.log"], "another content is another recording"
    rows(PileWork(paths, Pile("dyno_cell")))
    assert len(read) == 6, "another profile is another question"


def test_a_row_that_was_damaged_on_disk_is_made_again(folder: Path, kept: Path) -> None:
    paths = recordings_in([folder]).paths
    whole = rows(PileWork(paths, Pile("brackwell_20t")))
    first, second, third = sorted(kept.iterdir())
    first.write_text("{")
    second.write_text('{"verdict": "splendid"}')
    third.write_bytes(third.read_bytes()[:-9])
    assert rows(PileWork(paths, Pile("brackwell_20t"))) == whole


def test_a_command_that_is_killed_goes_on_to_the_same_table(folder: Path, kept: Path, tmp_path: Path) -> None:
    command = [sys.executable, "-m", "livewatch", "diagnose", str(folder), "-p", "brackwell_20t", "--table"]
    with subprocess.Popen([*command, str(tmp_path / "killed.csv")], stdout=subprocess.DEVNULL) as process:
        while process.poll() is None and not (kept.is_dir() and any(kept.glob("[!.]*.json"))):
            pass
        process.kill()
    assert not (tmp_path / "killed.csv").exists()
    assert main([*command[3:], str(tmp_path / "resumed.csv")]) == 0
    shutil.rmtree(kept)
    assert main([*command[3:], str(tmp_path / "whole.csv")]) == 0
    assert (tmp_path / "resumed.csv").read_bytes() == (tmp_path / "whole.csv").read_bytes()


def test_an_output_that_cannot_be_written_is_told_before_the_work(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(pile_run, "_read_one", lambda *_: pytest.fail("it was read"))
    (tmp_path / "folder.csv").mkdir()
    wrong = {"none/t.csv": "No such file", "folder.csv": "it is a folder", "t.xlsx": "ends in .csv"}
    for given, words in wrong.items():
        assert main(["diagnose", str(folder), "-p", "brackwell_20t", "--table", str(tmp_path / given)]) in (1, 2)
        assert words in capsys.readouterr().err


def test_a_disk_that_is_full_at_the_end_costs_no_reading(
    folder: Path, kept: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    honest = Path.write_bytes

    def full(self: Path, data: bytes) -> int:
        if self.suffix == ".new" and len(data) > 10 and "t.csv" in self.name:
            honest(self, data[:10])
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return honest(self, data)

    monkeypatch.setattr(Path, "write_bytes", full)
    command = ["diagnose", str(folder), "-p", "brackwell_20t", "--table", str(tmp_path / "t.csv")]
    assert main(command) == 1
    out, err = capsys.readouterr()
    assert "No space left on device" in err and "3 recordings: 3 unproven." in out
    assert not list(tmp_path.glob("*.new")) and not list(tmp_path.glob(".*.new"))
    monkeypatch.setattr(Path, "write_bytes", honest)
    monkeypatch.setattr(pile_run, "_read_one", lambda *_: pytest.fail("it was read"))
    assert main(command) == 0


class _Deadly:
    """Ends whoever unpacks it, as a recording might that takes all memory."""

    def __reduce__(self) -> tuple[Callable[[int], object], tuple[int]]:
        return os._exit, (9,)

    def __str__(self) -> str:
        return "deadly.log"


def test_a_recording_that_ends_its_process_costs_no_other(folder: Path) -> None:
    paths = [folder / "a.log", _Deadly(), folder / "b.log"]
    found = dict(pool.spread(paths, Pile("brackwell_20t"), pile_run._work, 2))  # type: ignore[arg-type]
    assert isinstance(found[0], pile_run._Read) and isinstance(found[2], pile_run._Read)
    assert isinstance(found[1], Failure) and "ended from outside" in found[1].text


@pytest.mark.skipif(not Path("/proc/self").exists(), reason="processes are looked for in /proc")
def test_no_process_outlives_a_command_that_is_killed(tmp_path: Path) -> None:
    note = f"import os, pathlib, time; pathlib.Path({str(tmp_path)!r}, str(os.getpid())).touch(); time.sleep(120)"
    code = (
        "from livewatch.diagnosis.pile.processes import Pile, spread\n"
        f"if __name__ == '__main__': list(spread([{note!r}] * 2, Pile('brackwell_20t'), exec, 2))\n"
    )
    with subprocess.Popen([sys.executable, "-c", code]) as process:
        while process.poll() is None and len(list(tmp_path.iterdir())) < 2:
            time.sleep(0.05)
        process.kill()
    workers = [int(path.name) for path in tmp_path.iterdir()]
    deadline = time.monotonic() + 20.0
    while any(Path(f"/proc/{worker}").exists() for worker in workers) and time.monotonic() < deadline:
        time.sleep(0.05)
    assert len(workers) == 2 and not any(Path(f"/proc/{worker}").exists() for worker in workers)


def test_each_row_opens_its_report(
    folder: Path, kept: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    made: list[Path] = []

    def report(diagnosis: Diagnosis) -> str:
        made.append(diagnosis.path)
        if diagnosis.path.name == "b.log":
            raise ZeroDivisionError("a picture failed")
        return f"<p>{diagnosis.verdict}</p>"

    monkeypatch.setattr("livewatch.report.of_a_pile.html_report", report)
    reports, page = tmp_path / "reports", tmp_path / "t.html"
    command = ["diagnose", str(folder), "-p", "brackwell_20t", "--table", str(page), "--reports", str(reports)]
    assert main(command) == 1
    assert "a picture failed" in capsys.readouterr().out
    (first, third) = sorted(reports.iterdir())
    assert first.name.startswith("a-") and third.name.startswith("c-")
    assert f'<a href="reports/{first.name}">' in page.read_text() and page.read_text().count("<a href") == 2
    assert main(command) == 1
    assert sorted(path.name for path in made) == ["a.log", "b.log", "b.log", "c.log"], "only what has no report yet"
    first.unlink()
    main(command)
    assert first.read_text() == "<p>unproven</p>"


def test_an_empty_folder_is_said_to_be_one(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "photos").mkdir()
    assert main(["diagnose", str(tmp_path / "photos"), "-p", "brackwell_20t"]) == 4
    assert "no recording, table or session folder is in it" in capsys.readouterr().err
