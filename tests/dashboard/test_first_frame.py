"""What is loaded before the first frame of a replay: only what it needs. Modules are counted, not seconds."""

from __future__ import annotations

import json
import subprocess
import sys

LIBRARIES = {
    "aiohttp", "aiomqtt", "asammdf", "can", "cantools", "jinja2", "matplotlib", "pandas", "pint", "pyarrow", "pydantic",
    "scipy", "textual_serve", "yaml",
}  # fmt: skip
"""None of them draws anything: buses, brokers, tables, profiles that are not known yet, other units and the browser are
for other runs."""
MOST_MODULES = 780
"""738 on Python 3.11 with Textual 8.2; a library that creeps in brings more than the rest of this room holds."""


def test_the_dashboard_of_a_replay_loads_no_library_of_other_runs() -> None:
    code = (
        "import sys, json, livewatch.commands.replay, livewatch.dashboard.show_on_terminal, livewatch.run.player; "
        "print(json.dumps(sorted(sys.modules)))"
    )
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    modules = json.loads(found.stdout)
    assert not LIBRARIES & {name.partition(".")[0] for name in modules}
    assert len(modules) < MOST_MODULES
