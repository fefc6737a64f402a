"""The terminal under a dashboard goes away, and neither a signal nor a write tells it."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

import livewatch
from livewatch import open_session

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="pseudo terminals are a Unix thing")

MOST = 300.0
"""Seconds after which a program hangs. It ends in half a second on a machine with little else to do."""


def test_a_replay_whose_terminal_hung_up_ends_in_order(recording: Path, tmp_path: Path) -> None:
    import pty

    hand, terminal = pty.openpty()
    environment = {
        **os.environ,
        "TERM": "xterm-256color",
        "PYTHONPATH": str(Path(livewatch.__file__).parents[1]),
        "XDG_STATE_HOME": str(tmp_path / "remembered"),
    }
    command = [sys.executable, "-m", "livewatch", "replay", str(recording), "-p", "brackwell_20t"]
    # No controlling terminal, so no signal; drawn is on the standard error, which goes elsewhere, so no failing write.
    with subprocess.Popen(
        [*command, "--out", str(tmp_path / "sessions")],
        stdin=terminal,
        stdout=terminal,
        stderr=subprocess.PIPE,
        env=environment,
        start_new_session=True,
    ) as process:
        os.close(terminal)
        try:
            assert process.stderr is not None
            shown = b""
            while b"The driver drives" not in shown:
                piece = os.read(process.stderr.fileno(), 65536)
                assert piece, shown
                shown += piece
            os.close(hand)
            process.communicate(timeout=MOST)
        finally:
            process.kill()
    assert process.returncode == 128 + 1
    (folder,) = (tmp_path / "sessions").iterdir()
    assert open_session(folder).events is not None
