"""`livewatch sheet` needs somebody to ask; the browser view asks the same."""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from pathlib import Path

import pytest


def test_without_a_terminal_there_is_nobody_to_ask(livewatch: Callable, tmp_path: Path) -> None:
    code, _, err = livewatch("sheet", tmp_path / "car.yaml", "-p", "brackwell_20t")
    assert code == 2 and "--browser" in err and not (tmp_path / "car.yaml").exists()


def test_in_a_browser_it_is_the_same_command(
    livewatch: Callable, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    served: list[Sequence[str]] = []
    monkeypatch.setattr(
        "livewatch.dashboard.browser.server.serve_in_browser", lambda command, *where: served.append(command)
    )
    assert livewatch("sheet", tmp_path / "car.yaml", "-p", "linden_16", "--browser").code == 0
    shown = [sys.executable, "-m", "livewatch.commands.behind_page"]
    assert served == [[*shown, "sheet", str(tmp_path / "car.yaml"), "-p", "linden_16"]]


def test_a_file_that_is_no_sheet_is_told_before_anything_is_asked(livewatch: Callable, tmp_path: Path) -> None:
    (tmp_path / "car.yaml").write_text("profile: 1\n")
    code, _, err = livewatch("sheet", tmp_path / "car.yaml")
    assert code == 3 and "is a profile: expected a build sheet" in err
    assert (tmp_path / "car.yaml").read_text() == "profile: 1\n"
