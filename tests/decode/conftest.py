"""What the decoding tests share: profiles and frames from a few words, and the files of the cantools source archive."""

from __future__ import annotations

import subprocess
import sys
import tarfile
from collections.abc import Callable, Sequence
from importlib.metadata import version
from pathlib import Path

import numpy as np
import pytest

from livewatch.frames import FrameBatch
from livewatch.profile.model import Channel, Diagnostics, Message, Profile, TableMapping

BUS = "engine"


@pytest.fixture(scope="session")
def dbc_files(pytestconfig: pytest.Config) -> list[Path]:
    """Every DBC in tests/files/dbc of the source archive of the cantools that is installed, from the package registry."""
    name = f"cantools-{version('cantools')}"
    assert pytestconfig.cache is not None
    store = pytestconfig.cache.mkdir("cantools-source")
    archive = store / f"{name}.tar.gz"
    if not archive.exists():
        command = [sys.executable, "-m", "pip", "download", "--quiet", "--disable-pip-version-check", "--no-deps"]
        command += ["--no-binary", ":all:", "--dest", str(store), name.replace("-", "==")]
        done = subprocess.run(command, capture_output=True, text=True, check=False)
        if not archive.exists():
            pytest.fail(
                f"these tests need the source archive of {name}, which the package registry did not give:\n{done.stderr}"
            )
    folder = store / name / "tests" / "files" / "dbc"
    if not folder.exists():
        with tarfile.open(archive) as contents:
            contents.extractall(store, [each for each in contents if each.name.endswith(".dbc")], filter="data")
    return sorted(folder.glob("*.dbc"))


@pytest.fixture
def profile_of() -> Callable[..., Profile]:
    """Make a profile of messages, channels and diagnostics alone."""

    def make(
        messages: Sequence[Message] = (),
        channels: Sequence[Channel] = (),
        diagnostics: Sequence[Diagnostics] = (),
        buses: Sequence[str] = (BUS,),
    ) -> Profile:
        return Profile(
            name="test",
            buses=dict.fromkeys(buses, ()),
            messages=tuple(messages),
            diagnostics=tuple(diagnostics),
            channels=tuple(channels),
            alarms=(),
            authority={},
            engine=None,
            tables=TableMapping(),
            figures=(),
            period=10_000_000,
            lead_up=0,
            sources={},
            text="",
        )

    return make


@pytest.fixture
def frames_of() -> Callable[..., FrameBatch]:
    """Make a batch of (identifier, data) or (identifier, data, flags), one frame a millisecond."""

    def make(
        rows: Sequence[tuple[int, bytes] | tuple[int, bytes, int]],
        *,
        bus: str | Sequence[str] = BUS,
        time: Sequence[int] | None = None,
    ) -> FrameBatch:
        names = [bus] * len(rows) if isinstance(bus, str) else list(bus)
        buses = tuple(dict.fromkeys(names))
        width = 64 if any(len(row[1]) > 8 for row in rows) else 8
        joined = b"".join(row[1].ljust(width, b"\0") for row in rows)
        return FrameBatch(
            np.array(range(0, len(rows) * 1_000_000, 1_000_000) if time is None else time, np.int64),
            np.array([buses.index(name) for name in names], np.uint8),
            np.array([row[0] for row in rows], np.uint32),
            np.array([row[2] if len(row) > 2 else 0 for row in rows], np.uint8),
            np.array([len(row[1]) for row in rows], np.uint8),
            np.frombuffer(joined, np.uint8).reshape(len(rows), width),
            buses,
        )

    return make
