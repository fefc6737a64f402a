"""A profile kept from an earlier run is the profile that its files would give, or is not used."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest

from livewatch.errors import MistakesError
from livewatch.profile import load_profile, load_profile_text
from livewatch.profile.cache import MOST_ENTRIES
from livewatch.profile.resolve import resolve_file
from livewatch.profile.shipped import shipped_folder

PROFILES = sorted(path for path in shipped_folder("profiles").glob("*.yaml") if not path.stem.endswith("_build"))


@pytest.fixture
def kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The folder of the entries, and no way to resolve a profile but by them once there is one."""
    monkeypatch.setenv("LIVEWATCH_CACHE", str(tmp_path / "cache"))
    return tmp_path / "cache" / "profiles"


@pytest.fixture
def car(tmp_path: Path) -> Path:
    """A profile with a DBC beside it, to be changed."""
    for name in ("brackwell_20t.yaml", "brackwell_20t.dbc"):
        shutil.copy(shipped_folder("profiles") / name, tmp_path / name)
    return tmp_path / "brackwell_20t.yaml"


def never(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("livewatch.profile.resolve.resolve_file", lambda path: pytest.fail("it was resolved anew"))


@pytest.mark.parametrize("path", PROFILES, ids=lambda path: path.stem)
def test_what_was_kept_is_what_was_resolved(path: Path, kept: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    resolved = load_profile(path)
    never(monkeypatch)
    read = load_profile(path)
    assert read is not resolved
    assert (read, repr(read)) == (resolved, repr(resolved))


def test_a_changed_profile_or_dbc_is_resolved_anew(kept: Path, car: Path) -> None:
    load_profile(car)
    car.write_text(car.read_text(encoding="utf-8").replace("name: Brackwell", "name: Another"), encoding="utf-8")
    assert load_profile(car).name.startswith("Another")
    dbc = car.with_suffix(".dbc")
    dbc.write_text(dbc.read_text(encoding="utf-8").replace("ENGINE_SPEED", "ENGINE_TURNS"), encoding="utf-8")
    with pytest.raises(MistakesError, match="ENGINE_SPEED"):
        load_profile(car)


@pytest.mark.parametrize(
    "damage", [b"", b"{", b"[]", b'{"files":[],"profile":{"kind":"Signal","fields":[1]}}', b"\xff"]
)
def test_a_damaged_entry_is_as_if_it_were_not_there(damage: bytes, kept: Path, car: Path) -> None:
    expected = load_profile(car)
    (entry,) = kept.iterdir()
    entry.write_bytes(damage)
    assert load_profile(car) == expected
    assert entry.stat().st_size > 1000, "it was written anew"


def test_a_folder_that_cannot_be_written_is_left_alone(
    tmp_path: Path, car: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "file").touch()
    monkeypatch.setenv("LIVEWATCH_CACHE", str(tmp_path / "file"))
    assert load_profile(car).name == resolve_file(car).profile.name


def test_the_entries_used_least_go_first(kept: Path) -> None:
    for number in range(MOST_ENTRIES + 3):
        load_profile_text(f"profile: 1\nname: car {number}\nsignature_alarms: off\n", "x.yaml", None)
        for age, entry in enumerate(sorted(kept.iterdir(), key=lambda path: path.stat().st_mtime_ns)):
            os.utime(entry, (age, age))
    assert len(list(kept.iterdir())) == MOST_ENTRIES
