"""A program for the kill test: records runs until somebody kills them.

Each line read from standard input is a folder to record in. A child process is forked for it (importing everything anew
for each would take a second), its number printed. The child records frames and alarms as fast as they go, and appends
the number of each alarm to the file `announced` in that folder once `write_events` has returned.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import Any

import numpy as np

from livewatch.data.alarm_states import State
from livewatch.data.events import AlarmChanged, NoteWritten
from livewatch.data.frames import FrameBatch
from livewatch.profile.model import Channel, Profile, TableMapping
from livewatch.session import Recorder, Session

RAISED: Any = ("raised", State.UNACKNOWLEDGED, State.NORMAL, "critical", True, "lambda_1 > 1.06", "", "")
FRAMES = 37
"""Frames before each alarm."""


def record(parent: Path) -> None:
    """Never returns."""
    profile = Profile(
        name="killed",
        buses={"engine": ()},
        messages=(),
        diagnostics=(),
        channels=(Channel("engine_speed", "rpm"),),
        alarms=(),
        authority={},
        engine=None,
        tables=TableMapping(),
        figures=(),
        period=10_000_000,
        lead_up=0,
        sources={},
        text="profile: 1\nname: killed\n",
    )
    announced = os.open(parent / "announced", os.O_WRONLY | os.O_CREAT | os.O_APPEND)
    recorder = Recorder(Session.create(parent, profile, ["virtual:test"]))
    number = 0
    while True:
        place = np.arange(number * FRAMES, (number + 1) * FRAMES)
        data = place.astype(">u8").view(np.uint8).reshape(FRAMES, 8)
        zeros = np.zeros(FRAMES, np.uint8)
        recorder.write_rows(
            FrameBatch(place * 1000, zeros, np.full(FRAMES, 1, np.uint32), zeros, zeros + 8, data, ("engine",))
        )
        second = number * 1_000_000_000
        recorder.write_events(
            [
                NoteWritten(second, second, "", "before", 0.0),
                AlarmChanged(second, second, "lean_under_load", *RAISED),
            ]
        )
        os.write(announced, f"{number}\n".encode())
        number += 1


def main() -> None:
    """One child a line."""
    for line in sys.stdin:
        child = os.fork()
        if not child:
            record(Path(line.strip()))
        print(child, flush=True)
        os.waitpid(child, 0)
        print("dead", flush=True)


if __name__ == "__main__":
    main()
