"""Where a replay stands and how it moves: one row."""

from __future__ import annotations

from livewatch.dashboard.content.view_state import ViewState
from livewatch.dashboard.drawing.canvas import Canvas
from livewatch.dashboard.drawing.fitting import fit
from livewatch.dashboard.widgets.canvas_widget import CanvasWidget
from livewatch.dashboard.widgets.heading import MARGIN
from livewatch.run.player import PlayerState
from livewatch.wording.events import clock_text

__all__ = ["Transport"]


class Transport(CanvasWidget):
    """Playing or paused, speed, position of length, loop."""

    def draw(self, canvas: Canvas, view: ViewState) -> None:
        state = view.player
        if state is None:
            behind = (view.span[1] - view.cursor) / 1e9
            text = "live" if behind < 0.5 else f"looking back {clock_text(behind)}; the end key returns to the present"
            canvas.write(MARGIN, 0, text, "ink", canvas.width - MARGIN)
            return
        mark, word = _standing(state, canvas.plain)
        x = canvas.write(MARGIN, 0, f"{mark} {word}", "loud") + 3
        x = canvas.write(x, 0, speed_text(state.speed), "ink") + 3
        x = canvas.write(x, 0, f"{clock_text(state.time / 1e9)} of {clock_text(view.span[1] / 1e9)}", "ink") + 3
        start, stop = state.marks
        loop, back, written = "", "", ""
        if start is not None or stop is not None:
            loop = f"loop {' to '.join('not set' if end is None else clock_text(end / 1e9) for end in (start, stop))}"
        if state.furthest - state.time > 1_000_000_000:
            back, written = "looking back", f"; log written to {clock_text(state.furthest / 1e9)}"
        room = canvas.width - x - 1
        if state.problem:
            canvas.write(x, 0, state.problem, "high", room)
            return
        words = [(loop, back + written), (loop, back), (loop,)]
        told = tuple("   ".join(part for part in parts if part) for parts in words)
        canvas.write(x, 0, fit(told, room, 1).lines[0] if loop or back else "", "quiet", room)


def speed_text(speed: float | None) -> str:
    """A speed in words."""
    return "as fast as it goes" if speed is None else f"{speed:g}x"


def _standing(state: PlayerState, plain: bool) -> tuple[str, str]:
    if state.target is not None:
        return (">>" if plain else "▸▸"), f"going to {clock_text(state.target / 1e9)}"
    if state.at_end:
        return ("[]" if plain else "■"), "at the end"
    return (">" if plain else "▶", "playing") if state.playing else ("||" if plain else "‖", "paused")
