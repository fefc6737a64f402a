"""Small files: the reading thread is done and has closed the file while the other one still asks how far it is."""

from __future__ import annotations

from pathlib import Path

import can
import pytest

from livewatch.sources.recordings.read_ahead import ahead
from livewatch.sources.recordings.recording import open_recording

RUNS = 100


@pytest.mark.parametrize("suffix", [".log", ".asc", ".blf", ".trc", ".csv", ".db"])
def test_a_file_of_one_frame_is_read_every_time(suffix: str, tmp_path: Path) -> None:
    path = tmp_path / f"drive{suffix}"
    with can.Logger(str(path)) as writer:
        writer.on_message_received(can.Message(timestamp=1_777_884_600.0, arbitration_id=0xF0, data=[1], channel=0))
    if suffix == ".log":
        path.write_text("(1777884600.000000) can0 0F0#01\n")
    recording = open_recording(path)
    for _ in range(RUNS):
        frames = 0
        for batch in ahead(recording.batches()):
            assert 0.0 <= recording.progress <= 1.0
            frames += len(batch)
        assert (frames, recording.progress) == (1, 1.0)
