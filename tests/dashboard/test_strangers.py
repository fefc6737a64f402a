"""What strangers wrote reaches the dashboard without a control code, and nothing of it is taken for markup."""

from __future__ import annotations

import unicodedata
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from livewatch.dashboard.app import Dashboard
from livewatch.dashboard.content.snapshot import LikelyCause, VerdictSoFar
from livewatch.dashboard.drawing.canvas import Canvas
from livewatch.dashboard.screens.ask import AskText
from livewatch.dashboard.screens.cautions import Cautions
from livewatch.data.events import NoteWritten

Make = Callable[..., Any]
NASTY = "\x1b]0;own\x07\x1b[2J\x9b31m\u202etxt\u2066\u200b[/red][bold]\x00\x7f\r\b"
ODD = st.sampled_from("\x1b\x9b\x07\r\b\x7f\u202e\u2066\u200f[]/\\")
UNFIT = {"Cc", "Cf", "Cs", "Co", "Cn"}


def unfit(text: str) -> set[str]:
    return {character for character in text if unicodedata.category(character) in UNFIT and character != "\n"}


def text_of(app: Dashboard) -> str:
    lines = app.screen._compositor.render_strips()
    return "\n".join("".join(segment.text for segment in line) for line in lines)


@given(st.text(st.one_of(st.characters(), ODD), max_size=60), st.booleans(), st.integers(-3, 30))
def test_nothing_drawn_on_a_canvas_keeps_what_a_terminal_acts_on(text: str, plain: bool, x: int) -> None:
    canvas = Canvas(40, 2, plain)
    canvas.write(x, 0, text)
    canvas.write_right(x, 1, text)
    assert not unfit(canvas.text())


@pytest.mark.parametrize("view", ["seat", "cell", "bench"])
async def test_no_view_shows_a_strangers_control_codes(view: str, run_of: Make, app_of: Make) -> None:
    watched = run_of(replay=view == "bench")
    alarms = tuple(
        replace(one, message=NASTY, action=NASTY, setpoint=replace(one.setpoint, text=NASTY), reason=NASTY)
        for one in watched.shown.alarms
    )
    verdict = VerdictSoFar("misfit", (NASTY,), (LikelyCause((NASTY,), (NASTY,), 0.9),), 1.0, NASTY, (NASTY,))
    watched.shown = replace(
        watched.shown,
        profile=replace(watched.shown.profile, name=NASTY),
        alarms=alarms,
        trouble=(NASTY,),
        verdict=verdict,
        counts={NASTY: 3},
        recording=(NASTY,),
        buses=tuple(replace(bus, name=NASTY, trouble=NASTY) for bus in watched.shown.buses),
    )
    watched.happened.append(NoteWritten(410_000_000_000, 0, NASTY, NASTY, 410.5))
    app = app_of(watched, view)
    async with app.run_test(size=(160, 50)) as pilot:
        await pilot.pause()
        app.beat()
        app.notify(f"Noted {NASTY}")
        await pilot.pause()
        seen = text_of(app)
        assert not unfit(seen)
        assert "[/red]" in seen, "markup is shown as it was written"
        await pilot.press("r")
        await pilot.pause()
        assert not unfit(text_of(app))
        await pilot.press("r")
        for page in (AskText(NASTY), Cautions(NASTY)):
            await app.push_screen(page)
            await pilot.pause()
            assert not unfit(text_of(app))
            app.pop_screen()
