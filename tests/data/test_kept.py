"""Writing a file: whole or not at all, and a place where it cannot be is said before the work begins."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest

from livewatch.data.kept import check_writable, write_whole
from livewatch.errors import UsageError


def test_it_takes_the_place_of_what_was_there(tmp_path: Path) -> None:
    path = tmp_path / "page.html"
    path.write_text("old", encoding="utf-8")
    check_writable(path)
    assert path.read_text(encoding="utf-8") == "old"
    write_whole(path, b"new")
    assert path.read_bytes() == b"new" and list(tmp_path.iterdir()) == [path]


def test_a_link_is_followed(tmp_path: Path) -> None:
    path, link = tmp_path / "page.html", tmp_path / "link.html"
    link.symlink_to(path)
    check_writable(link)
    write_whole(link, b"new")
    assert path.read_bytes() == b"new" and link.is_symlink()


def test_a_disk_that_fills_up_leaves_the_former_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "page.html"
    path.write_text("old", encoding="utf-8")

    def full(handle: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match=r"No space left on device"):
        write_whole(path, b"new", certain=True)
    assert path.read_text(encoding="utf-8") == "old" and list(tmp_path.iterdir()) == [path]


def test_where_nothing_can_be_written_is_said_with_the_reason(tmp_path: Path) -> None:
    drive = tmp_path / "drive.log"
    drive.touch()
    for path, reason in (
        (tmp_path / "none" / "page.html", "No such file or directory"),
        (drive / "page.html", "Not a directory"),
        (tmp_path, "it is a folder"),
        (Path(os.devnull), "it is a pipe or a device"),
        (tmp_path / "x" / ".." / "drive.log", "it is what is read, and would be gone"),
        (tmp_path / "page\0.html", ".*null"),
    ):
        with pytest.raises(UsageError, match=f"^cannot write .*: {reason}.*; expected a name in a folder"):
            check_writable(path, [drive])
    assert list(tmp_path.iterdir()) == [drive]
