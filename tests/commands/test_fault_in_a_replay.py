"""A fault of livewatch's own in the thread that plays a recording: the screen says so, and so does the exit code."""

from __future__ import annotations

import asyncio
import sys
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from textual.pilot import Pilot

from livewatch.dashboard import show_on_terminal
from livewatch.dashboard.app import Dashboard
from livewatch.run.run import Run

P = ("-p", "brackwell_20t")


@pytest.mark.parametrize("rounds", [0, 1], ids=["at once", "while it plays"])
def test_a_fault_of_the_player_is_on_the_screen_and_in_the_exit_code(
    rounds: int, livewatch: Callable[..., Any], recording: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    pushed: list[Any] = []
    seen: list[str] = []
    push = Run.push

    def faulty(self: Run, batch: Any) -> Any:
        if threading.current_thread().name == "livewatch player":  # not that which reads ahead
            pushed.append(batch)
            if len(pushed) > rounds:
                raise ZeroDivisionError("a planted fault")
        return push(self, batch)

    async def person(pilot: Pilot[None]) -> None:
        app = pilot.app
        assert isinstance(app, Dashboard)
        async with asyncio.timeout(60):
            while not app.watched.problem:
                await pilot.pause(0.01)
        await pilot.press("enter")
        app.beat()
        await pilot.pause()
        seen.extend(strip.text for strip in app.screen._compositor.render_strips())
        await pilot.press("q")

    class OnNoTerminal(Dashboard):
        def run(self, *arguments: Any, **options: Any) -> Any:
            return super().run(headless=True, size=(80, 24), auto_pilot=person)

    monkeypatch.setattr(Run, "push", faulty)
    monkeypatch.setattr(show_on_terminal, "Dashboard", OnNoTerminal)
    monkeypatch.setattr(sys.stdout, "isatty", lambda: True, raising=False)
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    code, out, err = livewatch("replay", recording, *P, "--out", tmp_path)
    assert "ENDED The run has ended: the replay has ended: a planted fault" in " ".join(" ".join(seen).split())
    assert code == 70
    assert err.startswith("livewatch: a fault in livewatch itself: ZeroDivisionError: a planted fault; the details ")
    assert "a planted fault" in next(tmp_path.glob("livewatch-fault-*.txt")).read_text()
    assert "The session folder is " in out
