"""How far each controller has gone towards its limit.

One row a controller: a wall at each limit, dots between them, a thin line where corrections are everyday, a thick one
from zero to the correction now. What lies beyond the everyday band is drawn in blocks, so that it stands out without
colour; the furthest it has been is marked by a tick.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from livewatch.dashboard.content.corrections import beyond_word, is_beyond, most_used
from livewatch.dashboard.content.view_state import ViewState
from livewatch.dashboard.drawing.canvas import Canvas, Ink
from livewatch.dashboard.drawing.fitting import fit
from livewatch.dashboard.widgets.canvas_widget import CanvasWidget
from livewatch.dashboard.widgets.heading import MARGIN
from livewatch.signature.evidence.authority import AuthorityUse
from livewatch.wording.events import MARKS
from livewatch.wording.shorter import authority_words

__all__ = ["Authority"]


class Authority(CanvasWidget):
    """The controllers in the order of the profile, so that none changes its place; those that are used most where there
    is no room for all."""

    _shown: frozenset[str] = frozenset()

    def draw(self, canvas: Canvas, view: ViewState) -> None:
        uses: Sequence[AuthorityUse] = () if self.snapshot is None else self.snapshot.authority
        if not uses:
            canvas.write(MARGIN, 0, "The profile declares no authority of any controller.", "quiet")
            return
        total = len(uses)
        uses = most_used(uses, canvas.height, self._shown)
        self._shown = frozenset(use.name for use in uses)
        if total > len(uses):
            self.left_out = _counted(total - len(uses), "correction")
        roomy = canvas.height >= 2 * len(uses)
        for place, use in enumerate(uses):
            y = place * (2 if roomy else 1)
            self._row(canvas, view, use, y)
            if roomy:
                self._detail(canvas, view, use, y + 1)

    def _row(self, canvas: Canvas, view: ViewState, use: AuthorityUse, y: int) -> None:
        narrow = canvas.width < 100
        label_width, figure_width = _columns(canvas.width)
        word, priority = beyond_word(use)
        ink: Ink = priority or "ink"
        if word:
            canvas.write(0, y, f" {_shape(ink)}"[:3], ink)
        label = fit(authority_words(use), label_width, 1).lines[0]
        canvas.write(MARGIN, y, label, "quiet" if not word else ink, label_width)
        start = MARGIN + label_width + 1
        width = max(10, canvas.width - start - figure_width - 1)
        _track(canvas, start, y, width, use, "ink" if not word else ink)
        x = start + width + 1
        if not math.isfinite(use.value):
            canvas.write(x, y, "not in charge" if math.isfinite(use.most) else "not seen yet", "stale")
            return
        sign = "+" if use.low < 0 and use.value > 0 else ""
        text = sign + view.units.text(use.value, use.unit, use.name)
        canvas.write_right(x + 8, y, text, ink if word else "ink")
        share = f"{use.used * 100:.0f} % used" if math.isfinite(use.used) else ""
        if narrow:
            canvas.write(x + 9, y, word or share, ink if word else "quiet")
            return
        canvas.write_right(x + 19, y, share, ink if word else "quiet")
        canvas.write(x + 21, y, word, ink)

    def _detail(self, canvas: Canvas, view: ViewState, use: AuthorityUse, y: int) -> None:
        parts = [
            f"everyday {_span(view, use, use.everyday)}",
            f"limit {_span(view, use, (use.low, use.high))}",
        ]
        if math.isfinite(use.most):
            parts.append(f"so far {_span(view, use, (use.least, use.most))}")
        if use.pinned >= 0.1:
            parts.append(f"pinned {use.pinned:.1f} s")
        start = MARGIN + _columns(canvas.width)[0] + 2
        told = tuple("   ".join(parts[:count]) for count in range(len(parts), 0, -1))
        canvas.write(start, y, next((text for text in told if len(text) < canvas.width - start), ""), "faint")


def _columns(width: int) -> tuple[int, int]:
    """Cells for the names on the left, and for the numbers and words on the right."""
    return (21, 25) if width < 100 else (30, 38)


def _span(view: ViewState, use: AuthorityUse, ends: tuple[float, float]) -> str:
    """A range, without the noughts behind the point."""
    low, high = (view.units.figure(end, use.unit).removesuffix(".0") for end in ends)
    spelt = view.units.spelt(use.unit)
    return f"{low} to {high}{'' if spelt == '°' else ' '}{spelt}"


def _counted(number: int, thing: str) -> str:
    return f"{number} {thing}{'' if number == 1 else 's'}"


def _shape(ink: Ink) -> str:
    return MARKS.get(ink, "")


def _track(canvas: Canvas, x: int, y: int, width: int, use: AuthorityUse, ink: Ink) -> None:
    plain = canvas.plain
    left, right, far, near, used, beyond, zero, tick = "||.-=#+:" if plain else "▕▏┈─━■┼╵"
    inner = width - 2
    span = use.high - use.low

    def cell(value: float) -> int:
        return int(min(inner - 1, max(0, math.floor((value - use.low) / span * inner)))) if span > 0 else 0

    canvas.write(x, y, left, "quiet")
    canvas.write(x + width - 1, y, right, "quiet")
    canvas.write(x + 1, y, far * inner, "faint")
    first, last = cell(use.everyday[0]), cell(use.everyday[1])
    canvas.write(x + 1 + first, y, near * (last - first + 1), "quiet")
    bipolar = use.low < 0 < use.high
    # A controller whose everyday band does not hold zero works around the middle of its range, like a solenoid's duty.
    origin = cell(0.0 if use.everyday[0] <= 0.0 <= use.everyday[1] else (use.low + use.high) / 2)
    for reached in (use.least, use.most):
        if math.isfinite(reached):
            canvas.write(x + 1 + cell(reached), y, tick, "quiet")
    if math.isfinite(use.value):
        at = cell(use.value)
        for place in range(min(origin, at), max(origin, at) + 1):
            outside = is_beyond(use) and (place > last or place < first)
            canvas.write(x + 1 + place, y, beyond if outside else used, ink)
    if bipolar:
        canvas.write(x + 1 + origin, y, zero, "quiet")
