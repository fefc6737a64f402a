"""Draws the README's pictures of the three views, from the invented car of the tests: `.pictures/seat.svg` and so on.

python tests/dashboard/draw_pictures.py
"""

from __future__ import annotations

import asyncio
import re
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
from conftest import FakeWatchedRun, make_profile, make_snapshot  # type: ignore[import-not-found]

from livewatch.dashboard.app import Dashboard
from livewatch.dashboard.remembered import Remembered
from livewatch.dashboard.speech import Speech

FOLDER = Path(__file__).parents[2] / ".pictures"
SIZE = (120, 40)
FROM_OUTSIDE = re.compile(r",\s*url\([^)]*\) format\([^)]*\)")
"""Where Rich's pictures would fetch a font from: a picture in a README loads nothing."""


async def draw(view: str, place: Path) -> str:
    """The picture of a view as SVG; `place` keeps what the dashboard remembers."""
    profile = make_profile()
    remembered = Remembered(place / "dashboard.json")
    remembered.note_cautions(profile.name)
    watched = FakeWatchedRun(make_snapshot(profile), profile, replay=view == "bench")
    app = Dashboard(watched, view, remembered=remembered, plain=False, speech=Speech(None), clock=lambda: 0.05)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.pause()
        app.beat()
        await pilot.pause()
        picture = app.export_screenshot(title=f"livewatch, {view}")
    return FROM_OUTSIDE.sub("", re.sub(r"terminal-\d{6,}", "terminal", picture))


def main() -> None:
    """Draw all three."""
    FOLDER.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as place:
        for view in ("seat", "cell", "bench"):
            (FOLDER / f"{view}.svg").write_text(asyncio.run(draw(view, Path(place))), encoding="utf-8")


if __name__ == "__main__":
    main()
