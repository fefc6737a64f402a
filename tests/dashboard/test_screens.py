"""How the screens look: the three views at three sizes in each theme, and in plain characters, held against what was
looked at and found good. After a change that is meant: `pytest tests/dashboard/test_screens.py --snapshot-update`, and
look at the snapshots."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from textual.pilot import Pilot

from livewatch.dashboard.themes import THEMES

Make = Callable[..., Any]
SIZES = ((80, 24), (120, 40), (200, 60))
VIEWS = ("seat", "cell", "bench")


async def drawn(pilot: Pilot[None]) -> None:
    await pilot.pause()
    pilot.app.beat()  # type: ignore[attr-defined]
    await pilot.pause()


@pytest.mark.parametrize("theme", [theme.name for theme in THEMES])
@pytest.mark.parametrize("size", SIZES, ids=lambda size: f"{size[0]}x{size[1]}")
@pytest.mark.parametrize("view", VIEWS)
def test_view(view: str, size: tuple[int, int], theme: str, run_of: Make, app_of: Make, snap_compare: Make) -> None:
    app = app_of(run_of(replay=view == "bench"), view, theme=theme)
    assert snap_compare(app, terminal_size=size, run_before=drawn)


@pytest.mark.parametrize("view", VIEWS)
def test_view_in_plain_characters(view: str, run_of: Make, app_of: Make, snap_compare: Make) -> None:
    app = app_of(run_of(replay=view == "bench"), view, theme="no colour", plain=True)
    assert snap_compare(app, terminal_size=(80, 24), run_before=drawn)


def test_when_all_is_well_nothing_is_coloured(run_of: Make, app_of: Make, snap_compare: Make) -> None:
    watched = run_of(alarming=False, time=60_000_000_000)
    app = app_of(watched)
    assert snap_compare(app, terminal_size=(80, 24), run_before=drawn)
