"""A short recorded drive of the shipped turbo car, and the command line run in this process."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import pytest

from livewatch.commands.cli import main
from livewatch.profile import load_profile
from livewatch.profile.shipped import find_profile
from livewatch.simulator import Scenario
from livewatch.simulator.bus_frames import broadcast
from livewatch.sources.recordings.candump.line_writer import format_candump
from tests.drives import driven


class Ran(NamedTuple):
    code: int
    out: str
    err: str


@pytest.fixture
def livewatch(capsys: pytest.CaptureFixture[str]) -> Callable[..., Ran]:
    """Run a command line; exit code, standard output, standard error."""

    def run(*arguments: object) -> Ran:
        code = main([str(argument) for argument in arguments])
        out, err = capsys.readouterr()
        return Ran(code, out, err)

    return run


@pytest.fixture(scope="session")
def recording(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Twenty seconds of the Brackwell as candump."""
    profile = load_profile(find_profile("brackwell_20t"))
    drive = driven(Scenario(car="brackwell_20t", route="mixed", duration=20))
    path = tmp_path_factory.mktemp("drive") / "drive.log"
    with path.open("wb") as file:
        for batch in broadcast(drive, profile):
            file.write(format_candump(batch))
    return path
