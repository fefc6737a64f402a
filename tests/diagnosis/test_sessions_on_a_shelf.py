"""Sessions are found by what they are and show, and the index is only ever a copy."""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
from dataclasses import replace
from pathlib import Path

import pytest

from livewatch import Pile, PileRow, Shelf, ShelfFilter
from livewatch.commands.cli import main
from livewatch.data.alarm_states import PRIORITIES
from livewatch.diagnosis.pile import work as pile_run
from livewatch.profile import load_profile
from livewatch.session.folder import Session

MONTHS = {"may": 1_777_884_600, "june": 1_780_563_000, "july": 1_783_155_000}
HOSTILE = "<b>[red]\x1b[31m"


def invented(name: str) -> PileRow:
    """What the session of this name shows."""
    row = PileRow(
        name, "fits", "All fits.", {}, (), (), "", {}, dict.fromkeys(PRIORITIES, 0), (), 1.2, 0.4, 2.0, 2, 600.0,
        {"june": 300.0}.get(name, 200.0), "", "", {}, 0,
    )  # fmt: skip
    if name == "july":
        alarms = {**row.priorities, "critical": 2}
        row = replace(row, verdict="misfit", need=-14.0, alarms={"lean_under_load": 2}, priorities=alarms)
        return replace(row, causes=("injector_flow",), titles=("injectors of another size",))
    return row


@pytest.fixture
def read(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> list[str]:
    """Names of the sessions that were read, in order."""
    names: list[str] = []

    def look(path: Path, pile: Pile, make: object) -> object:
        names.append(path.parent.name)
        vehicle = Session.open(path).manifest.name
        return pile_run._Read(replace(invented(path.parent.name), recording=str(path), vehicle=vehicle))

    monkeypatch.setattr(pile_run, "_read_one", look)
    monkeypatch.setenv("LIVEWATCH_CACHE", str(tmp_path / "kept"))
    return names


@pytest.fixture
def sessions(tmp_path: Path, read: list[str]) -> Path:
    """A session of the Linden in each of three months, and one of the Rowan, each with its number in a file."""
    for number, (month, start) in enumerate(MONTHS.items()):
        folder = Session.create(tmp_path / "sessions" / month, load_profile("linden_16"), [], start * 10**9)
        (folder.path / "samples.csv").write_text(f"{number}\n")
    rowan = Session.create(tmp_path / "sessions" / "rowan", load_profile("rowan_12"), [], MONTHS["may"] * 10**9)
    (rowan.path / "build_sheet.yaml").write_text(
        "build_sheet: 1\nname: r\ncalibrated_for: {}\nfitted: {downpipe: {part: Hollin pipe, bore: 50 mm}}\n"
    )
    return tmp_path / "sessions"


def names(shelf: Shelf, **wanted: str) -> list[str]:
    return [one.path.parent.name for one in shelf.find(ShelfFilter(**wanted))]


def test_sessions_are_found_by_vehicle_date_verdict_alarm_and_part(sessions: Path) -> None:
    shelf = Shelf(sessions)
    shelf.refresh()
    assert names(shelf) == ["may", "june", "july", "rowan"]
    assert names(shelf, vehicle="LINDEN") == ["may", "june", "july"]
    assert names(shelf, since="2026-06") == ["june", "july"]
    assert names(shelf, until="2026-06") == ["may", "june", "rowan"]
    assert names(shelf, until="2026-06-03") == ["may", "rowan"]
    assert (
        names(shelf, verdict="misfit") == names(shelf, alarm="lean under") == names(shelf, part="injector") == ["july"]
    )
    assert names(shelf, part="hollin") == ["rowan"], "a part that is fitted"
    assert names(shelf, vehicle="linden", verdict="fits", since="2026-06") == ["june"]
    assert names(shelf, vehicle="'; DROP TABLE sessions; --") == []


def test_only_what_changed_is_read_again_and_what_went_is_gone(sessions: Path, read: list[str]) -> None:
    Shelf(sessions).refresh()
    assert sorted(read) == ["july", "june", "may", "rowan"]
    shelf = Shelf(sessions)
    shelf.refresh()
    assert len(read) == 4
    (june,) = (sessions / "june").iterdir()
    (june / "samples.csv").write_text("another\n")
    shutil.rmtree(sessions / "may")
    shelf.refresh()
    assert read[4:] == ["june"] and names(shelf) == ["june", "july", "rowan"]


@pytest.mark.parametrize("spoil", ["delete", "garbage", "other tables", "no cache"])
def test_the_index_is_never_the_only_copy(
    spoil: str, sessions: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    Shelf(sessions).refresh()
    whole = [one.to_json() for one in Shelf(sessions).find()]
    assert len(whole) == 4
    (index,) = (tmp_path / "kept" / "shelf").iterdir()
    if spoil == "delete":
        index.unlink()
    elif spoil == "garbage":
        index.write_bytes(b"no database " * 1000)
    elif spoil == "other tables":
        connection = sqlite3.connect(index)
        connection.execute("UPDATE about SET code = 'another'")
        connection.commit()
        connection.close()
    else:
        monkeypatch.setenv("LIVEWATCH_CACHE", "")
    shelf = Shelf(sessions)
    shelf.refresh()
    assert [one.to_json() for one in shelf.find()] == whole


def test_the_baseline_is_the_longest_that_fits_and_had_no_critical_alarm(
    sessions: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    shelf = Shelf(sessions)
    shelf.refresh()
    linden = load_profile("linden_16").name
    assert [one.path.parent.name for one in shelf.baselines(linden)] == ["june", "may"]
    taken: list[Path | None] = []

    def note(paths: object, pile: Pile) -> int:
        taken.append(pile.baseline)
        return 0

    monkeypatch.setattr("livewatch.commands.diagnosis_page.print_pages", note)
    assert main(["diagnose", "drive.log", "-p", "linden_16", "--baseline", str(sessions)]) == 0
    assert taken[0] is not None and taken[0].parent.name == "june"
    assert main(["diagnose", "drive.log", "-p", "brackwell_20t", "--baseline", str(sessions)]) == 4
    assert "fits in every system" in capsys.readouterr().err


def test_a_history_shows_the_oldest_first_and_where_need_went(
    sessions: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["shelf", str(sessions), "--vehicle", "linden", "--history"]) == 0
    lines = [line for line in capsys.readouterr().out.splitlines() if line.startswith("2026")]
    assert [line[:7] for line in lines] == ["2026-05", "2026-06", "2026-07"]
    assert [line.index("o") for line in lines[:2]] == [lines[0].index("|") + 1] * 2
    assert lines[2].index("o") < lines[2].index("|") and "-14.0" in lines[2] and "injector" in lines[2]


def test_the_listing_and_its_json_name_the_folders(
    sessions: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (sessions / "may").rename(sessions / HOSTILE)
    assert main(["shelf", str(sessions), "--json"]) == 0
    said = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert {Path(one["recording"]).parent.name for one in said} == {HOSTILE, "june", "july", "rowan"}
    assert main(["shelf", str(sessions)]) == 0
    out = capsys.readouterr().out
    assert "<b>[red]\\x1b[31m" in out and "\x1b" not in out
    assert main(["shelf", str(sessions), "--since", "yesterday"]) == 2
    assert main(["shelf", str(tmp_path / "nowhere")]) == 4


def test_a_session_that_cannot_be_read_stands_on_the_shelf_and_says_so(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("LIVEWATCH_CACHE", str(tmp_path / "kept"))
    broken = tmp_path / "sessions" / "broken"
    broken.mkdir(parents=True)
    (broken / "events.jsonl").touch()
    assert main(["shelf", str(tmp_path / "sessions")]) == 0
    assert "not read" in capsys.readouterr().out


def test_a_folder_that_may_not_be_looked_into_costs_no_other_and_is_named(
    sessions: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Whoever may read everything, as root may, is made somebody who may not."""
    (shut,) = (sessions / "may").iterdir()
    honest, listed = os.access, os.scandir

    def closed(path: str) -> object:
        if os.fspath(path) == os.fspath(shut):
            raise PermissionError(13, "Permission denied", os.fspath(path))
        return listed(path)

    monkeypatch.setattr(os, "access", lambda path, mode: Path(path) != shut and honest(path, mode))
    monkeypatch.setattr(os, "scandir", closed)
    assert main(["shelf", str(sessions), "--json"]) == 4
    out, err = capsys.readouterr()
    assert len(out.splitlines()) == 3 and err == f"Not looked into: {shut}: Permission denied\n"
    assert main(["replay", "--verify", str(sessions)]) == 4
    assert f"Not looked into: {shut}: Permission denied\n" in capsys.readouterr().err
