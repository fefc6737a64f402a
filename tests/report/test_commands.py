"""`report`, `answer`, `compare` and `pulls` from the command line, and what they cost the other commands."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from livewatch.commands.cli import main

REPLAY = Path(__file__).parents[2] / "replay_data"
Ran = tuple[int, str, str]


@pytest.fixture
def livewatch(capsys: pytest.CaptureFixture[str]) -> Callable[..., Ran]:
    def run(*arguments: object) -> Ran:
        code = main([str(argument) for argument in arguments])
        out, err = capsys.readouterr()
        return code, out, err

    return run


def test_other_commands_load_neither_pictures_nor_templates() -> None:
    code = (
        "import sys\n"
        "from livewatch.commands import answer, compare, diagnose, events, pulls, report, watch\n"
        "print(*sys.modules)"
    )
    loaded = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout.split()
    assert not [name for name in loaded if name.split(".")[0] in ("matplotlib", "jinja2", "markupsafe", "PIL")]
    assert not [name for name in loaded if name.startswith("livewatch.report")]


def test_a_report_as_a_file_and_printed_draws_nothing(
    drive: Path, tmp_path: Path, livewatch: Callable[..., Ran], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "matplotlib", None)
    out = tmp_path / "report.json"
    assert livewatch("report", drive, "-p", "brackwell_20t", "-o", out, "--to", "20 s")[0] == 0
    assert json.loads(out.read_text(encoding="utf-8"))["report"] == 1
    code, printed, _ = livewatch("report", drive, "-p", "brackwell_20t", "--format", "md", "--to", "5 s")
    assert code == 0 and printed.startswith("# What the drive shows")


@pytest.mark.parametrize("command", ["report", "answer", "compare", "pulls", "export", "table", "reports"])
def test_an_output_that_cannot_be_written_is_said_before_anything_is_read(
    command: str, tmp_path: Path, livewatch: Callable[..., Ran]
) -> None:
    drive, sheet = tmp_path / "no_recording.log", tmp_path / "sheet.yaml"
    drive.write_text("read me and see")
    sheet.touch()

    def told(place: Path) -> Ran:
        return livewatch(
            *{
                "report": ("report", drive, "-o", place / "x.json"),
                "answer": ("answer", sheet, drive, "-o", place / "x.md"),
                "compare": ("compare", drive, drive, "-o", place / "x.txt"),
                "pulls": ("pulls", drive, "-o", place / "x.html"),
                "export": ("export", drive, place / "x.csv"),
                "table": ("diagnose", drive, "--table", place / "x.html"),
                "reports": ("diagnose", drive, "--reports", place / "x"),
            }[command],
            "-p", "brackwell_20t",
        )  # fmt: skip

    code, out, err = told(drive)
    assert (code, out) == (2, "") and "Not a directory" in err and err.startswith("livewatch: ")
    assert sorted(tmp_path.iterdir()) == [drive, sheet]


def test_no_command_writes_over_what_it_reads_or_what_is_no_such_file(
    tmp_path: Path, livewatch: Callable[..., Ran]
) -> None:
    table, sheet = tmp_path / "drive.csv", tmp_path / "sheet.md"
    others = {kind: tmp_path / f"other{kind}" for kind in (".csv", ".parquet", ".html")}
    for path in (table, sheet, *others.values()):
        path.write_text("time,engine_speed\n0,800\n")
    p = ("-p", "brackwell_20t")
    for arguments in (
        ("export", table, table),
        ("diagnose", table, "--table", table),
        *(("diagnose", tmp_path, "--table", other) for other in others.values()),
        ("answer", sheet, "-o", sheet),
        ("compare", table, table, "--format", "text", "-o", table),
        ("pulls", table, "-o", table),
        ("report", table, "-o", tmp_path / "report.pdf"),
    ):
        code, _, err = livewatch(*arguments, *p)
        assert code == 2 and "expected a name" in err, arguments
    assert {path.read_text() for path in tmp_path.iterdir()} == {"time,engine_speed\n0,800\n"}


def test_an_empty_recording_and_a_photo(tmp_path: Path, livewatch: Callable[..., Ran]) -> None:
    empty, photo = tmp_path / "empty.log", tmp_path / "photo.jpg"
    empty.write_bytes(b"")
    photo.write_bytes(b"\xff\xd8\xff\xe0" + bytes(range(256)))
    for path in (empty, photo):
        code, _, err = livewatch("report", path, "-p", "brackwell_20t", "-o", tmp_path / "x.html")
        assert code == 4 and str(path) in err and not (tmp_path / "x.html").exists()


def test_an_answer_for_a_message(livewatch: Callable[..., Ran]) -> None:
    code, out, _ = livewatch("answer", "-p", "brackwell_20t", "brackwell_20t_build")
    assert code == 0 and out.startswith("Yes: these parts need another calibration.") and "\n- Do not drive" in out
    code, _, err = livewatch("answer", "-p", "brackwell_20t", "brackwell_20t_bild")
    assert code == 2 and "did you mean brackwell_20t_build" in err


def test_drives_compared_as_json(drive: Path, livewatch: Callable[..., Ran]) -> None:
    code, out, _ = livewatch("compare", drive, drive, "-p", "brackwell_20t", "--format", "json")
    said = json.loads(out)["comparisons"]
    assert code == 0 and len(said) == 1 and said[0]["turn"] in ("same", "cannot say")
    code, _, err = livewatch("compare", drive, "-p", "brackwell_20t")
    assert code == 2 and "expected two or more drives" in err


def test_pulls_of_a_dyno_with_power_after_both_standards(livewatch: Callable[..., Ran]) -> None:
    code, out, _ = livewatch("pulls", REPLAY / "dyno_session.log.gz", "-p", "dyno_cell", "--format", "json")
    said = json.loads(out)
    pulls = said["sessions"][0]["pulls"]
    assert code == 0 and len(pulls) == 3
    for pull in pulls:
        assert {one["standard"] for one in pull["corrections"]} == {"SAE J1349", "ISO 1585"}
        assert all(0.93 < one["factor"] < 1.07 for one in pull["corrections"])
        assert {"torque", "power", "boost"} <= {one["quantity"] for one in pull["curves"]}
    power = next(one for one in said["repeatability"] if one["quantity"] == "power")
    assert power["pulls"] == 3 and 0.0 < power["standard_deviation"] < 5.0
