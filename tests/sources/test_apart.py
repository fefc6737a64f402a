"""Reading in a process apart: it ends with the process it reads for."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from livewatch.sources.apart import Item, apart

PROGRAM = "import sys; from tests.sources.test_apart import hanging, apart; next(apart('x', hanging, sys.argv[1]))"
assert apart


def hanging(told: str) -> Iterator[Item]:
    Path(told).write_text(str(os.getpid()))
    time.sleep(600)
    yield {}, []


@pytest.mark.skipif(sys.platform != "linux", reason="looks for the process in /proc")
def test_a_library_that_hangs_does_not_outlive_a_livewatch_that_was_killed(tmp_path: Path) -> None:
    told = tmp_path / "told"
    environment = {**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])}
    killed = subprocess.Popen([sys.executable, "-c", PROGRAM, str(told)], env=environment)
    try:
        while not told.exists() or not told.read_text():
            assert killed.poll() is None
            time.sleep(0.05)
    finally:
        killed.kill()
        killed.wait()
    state = Path("/proc") / told.read_text() / "stat"
    for _ in range(600):
        if not state.exists() or ") Z " in state.read_text():
            return
        time.sleep(0.1)
    os.kill(int(told.read_text()), 9)
    raise AssertionError("it goes on after a minute")
