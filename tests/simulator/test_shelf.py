"""The recordings that come with livewatch are what the simulator makes, byte for byte."""

from __future__ import annotations

import re

from livewatch.profile.shipped import shipped_folder
from tests.simulator.recorded_drives import SHELF, write

FOLDER = shipped_folder("replay_data")


def test_a_shipped_recording_is_made_again_byte_for_byte(tmp_path):
    name = "hose_off_in_a_pull"
    assert write(name, tmp_path).read_bytes() == (FOLDER / f"{name}.log.gz").read_bytes()


def test_the_shelf_holds_these_recordings_and_no_others_and_stays_small():
    files = sorted(path.name for path in FOLDER.glob("*.gz"))
    assert files == sorted(f"{name}.log.gz" for name in SHELF)
    sizes = [path.stat().st_size for path in FOLDER.glob("*.gz")]
    assert max(sizes) < 1_000_000 and sum(sizes) < 5_000_000


def test_the_readme_tells_of_each_recording_and_its_truth():
    text = (FOLDER / "README.md").read_text(encoding="utf-8")
    for name, recorded in SHELF.items():
        section = re.search(rf"## `{name}\.log\.gz`\n(.*?)(?=\n## |\Z)", text, re.S)
        assert section, name
        assert recorded.profile in section[1]
        for wrong in recorded.scenario.mismatches:
            assert f"{wrong.size:g}" in section[1], name
