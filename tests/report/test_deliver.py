"""Writing a page: whole or not at all, and what went wrong is said."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest

from livewatch.report.deliver import DeliveryError, deliver


def test_it_takes_the_place_of_what_was_there(tmp_path: Path) -> None:
    path = tmp_path / "page.html"
    path.write_text("old", encoding="utf-8")
    deliver("new é", path)
    assert path.read_text(encoding="utf-8") == "new é" and list(tmp_path.iterdir()) == [path]


def test_a_disk_that_fills_up_leaves_the_former_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "page.html"
    path.write_text("old", encoding="utf-8")

    def full(handle: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(DeliveryError, match=r"No space left on device; name another file"):
        deliver("new", path)
    assert path.read_text(encoding="utf-8") == "old" and list(tmp_path.iterdir()) == [path]


def test_a_folder_that_is_not_there_and_a_folder_in_place_of_a_file(tmp_path: Path) -> None:
    with pytest.raises(DeliveryError, match="No such file or directory"):
        deliver("x", tmp_path / "none" / "page.html")
    with pytest.raises(DeliveryError, match="it is a folder"):
        deliver("x", tmp_path)
