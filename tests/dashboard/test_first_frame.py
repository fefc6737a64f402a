"""What is loaded before the cautions and before the first frame of a replay: only what each needs. Modules are counted,
not seconds."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

from livewatch.wording.cautions import CAUTION

LIBRARIES = {
    "aiohttp", "aiomqtt", "asammdf", "can", "cantools", "jinja2", "matplotlib", "numpy", "pandas", "pint", "pyarrow",
    "pydantic", "scipy", "textual_serve", "yaml",
}  # fmt: skip
"""None of them draws anything: buses, brokers, tables, profiles that are not known yet, other units and the browser are
for other runs; numpy, which judges, comes when the first frame is there."""
MOST_MODULES = 540
"""506 on Python 3.11 with Textual 8.2; a library that creeps in brings more than the rest of this room holds."""
LATER = {
    "livewatch.alarms.system", "livewatch.dashboard.content.snapshot", "livewatch.dashboard.screens.views",
    "livewatch.decode", "livewatch.run.run", "livewatch.signature", "livewatch.signature.evidence",
}  # fmt: skip
"""What judges and what draws the views: loaded when the first frame is there."""

MOST_BEFORE_CAUTIONS = 170
"""143 on Python 3.11."""


AT_THE_FIRST_FRAME = """
import io, json, sys
import livewatch.commands.playing_on_screen as playing
from livewatch.commands.cli import main
class Terminal(io.StringIO):
    def isatty(self):
        return True
def show(player):
    from livewatch.dashboard.content.watched_run import WatchedReplay
    from livewatch.dashboard.show_on_terminal import Dashboard
    Dashboard(WatchedReplay(player))
    loaded.extend(sys.modules)
    player.close()
    return 0
loaded, playing.show_replay, sys.stdout = [], show, Terminal()
code = main(["replay", *sys.argv[1:], "-p", "brackwell_20t"])
sys.stdout = sys.__stdout__
print(json.dumps([code, loaded]))
"""


def test_up_to_its_first_frame_a_replay_loads_no_library_of_other_runs_and_nothing_that_judges(tmp_path: Path) -> None:
    recording = tmp_path / "drive.log"
    recording.write_text("(1436509052.249713) can0 100#0102030405060708\n")
    command = [sys.executable, "-c", AT_THE_FIRST_FRAME, str(recording), "--out", str(tmp_path)]
    places = {name: str(tmp_path) for name in ("LIVEWATCH_CACHE", "HOME", "XDG_STATE_HOME", "LOCALAPPDATA")}
    for _ in range(2):  # the first keeps the profile for the second
        found = subprocess.run(command, capture_output=True, text=True, check=True, env={**os.environ, **places})
    code, modules = json.loads(found.stdout)
    assert code == 0
    assert not LIBRARIES & {name.partition(".")[0] for name in modules}
    assert not LATER & set(modules)
    assert len(modules) < MOST_MODULES


AT_A_TERMINAL = """
import io, json, sys
from livewatch.commands.cli import main
class Terminal(io.StringIO):
    modules = None
    def isatty(self):
        return True
    def flush(self):
        self.modules = self.modules or sorted(sys.modules)
terminal = sys.stdout = Terminal()
code = main(["replay", "a drive that is not there.log", "-p", "brackwell_20t"])
sys.stdout = sys.__stdout__
print(json.dumps([terminal.getvalue(), terminal.modules, code]))
"""


def test_the_cautions_of_a_replay_are_on_the_screen_before_anything_heavy_is_loaded() -> None:
    found = subprocess.run([sys.executable, "-c", AT_A_TERMINAL], capture_output=True, text=True, check=True)
    said, modules, code = json.loads(found.stdout)
    assert "a drive that is not there.log" in said and CAUTION in said
    assert code == 4
    assert not {"numpy", "rich", "textual", "asyncio"} & set(modules)
    assert len(modules) < MOST_BEFORE_CAUTIONS
