"""Profiles written for one test."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from textwrap import dedent

import pytest

from livewatch.errors import MistakesError
from livewatch.profile import Profile, load_profile

Write = Callable[..., Path]
Load = Callable[..., Profile]
Mistakes = Callable[..., list[str]]


@pytest.fixture(autouse=True)
def _resolves_anew(nothing_kept: None) -> None: ...


@pytest.fixture
def write(tmp_path: Path) -> Write:
    """Writes a text, made flush left, into a file of the test's folder."""

    def writer(text: str, name: str = "car.yaml") -> Path:
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(dedent(text).lstrip("\n"), encoding="utf-8")
        return path

    return writer


@pytest.fixture
def load(write: Write) -> Load:
    """Loads the profile in a text."""
    return lambda text, name="car.yaml": load_profile(write(text, name))


@pytest.fixture
def mistakes(write: Write, tmp_path: Path) -> Mistakes:
    """What a text is told that is no right profile: `file:line:column: problem`, the folder left out."""

    def finder(text: str, name: str = "car.yaml") -> list[str]:
        path = write(text, name)
        with pytest.raises(MistakesError) as caught:
            load_profile(path)
        return [str(mistake).replace(f"{tmp_path}/", "") for mistake in caught.value.mistakes]

    return finder
