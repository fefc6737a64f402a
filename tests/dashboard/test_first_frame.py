"""What is loaded before the cautions and before the first frame of a replay: only what each needs. Modules are counted,
not seconds."""

from __future__ import annotations

import json
import subprocess
import sys

from livewatch.wording.cautions import CAUTION

LIBRARIES = {
    "aiohttp", "aiomqtt", "asammdf", "can", "cantools", "jinja2", "matplotlib", "pandas", "pint", "pyarrow", "pydantic",
    "scipy", "textual_serve", "yaml",
}  # fmt: skip
"""None of them draws anything: buses, brokers, tables, profiles that are not known yet, other units and the browser are
for other runs."""
MOST_MODULES = 630
"""587 on Python 3.11 with Textual 8.2; a library that creeps in brings more than the rest of this room holds."""
LATER = {
    "livewatch.alarms.system", "livewatch.dashboard.content.snapshot", "livewatch.dashboard.screens.views",
    "livewatch.decode", "livewatch.run.run", "livewatch.signature", "livewatch.signature.evidence",
}  # fmt: skip
"""What judges and what draws the views: loaded when the first frame is there."""

MOST_BEFORE_CAUTIONS = 170
"""143 on Python 3.11."""


def test_the_dashboard_of_a_replay_loads_no_library_of_other_runs() -> None:
    code = (
        "import sys, json, livewatch.commands.playing_on_screen, livewatch.dashboard.show_on_terminal; "
        "[getattr(livewatch, name) for name in ('profile_for', 'parse_bus_options', 'open_source')]; "
        "print(json.dumps(sorted(sys.modules)))"
    )
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    modules = json.loads(found.stdout)
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
