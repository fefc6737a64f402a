"""How far each controller has gone towards its limit.

One row a controller: a wall at each limit, dots between them, a thin line where corrections are everyday, a thick one
from zero to the correction now. What lies beyond the everyday band is drawn in blocks, so that it stands out without
colour; the furthest it has been is marked by a tick.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from livewatch.dashboard.drawing.fitting import fit
from livewatch.dashboard.drawing.sheet import Ink, Sheet
from livewatch.dashboard.headline import is_beyond
from livewatch.dashboard.look import Look
from livewatch.dashboard.widgets.drawn import Drawn
from livewatch.dashboard.widgets.heading import MARGIN
from livewatch.dashboard.wording import authority_words
from livewatch.signature.authority import AuthorityUse
from livewatch.wording.events import MARKS

__all__ = ["Authority"]

NEAR = 0.8
"""Share of a limit from which a correction is near it."""
AT = 0.98
CALM = 0.15
"""Share of a limit by which one correction is used more than another before it takes its row."""


class Authority(Drawn):
    """The controllers in the order of the profile, so that none changes its place; those that are used most where there
    is no room for all."""

    def __init__(self, *, id: str | None = None, classes: str | None = None) -> None:
        super().__init__(id=id, classes=classes)
        self._shown: frozenset[str] = frozenset()

    def draw(self, sheet: Sheet, look: Look) -> None:
        uses: Sequence[AuthorityUse] = () if self.picture is None else self.picture.authority
        if not uses:
            sheet.write(MARGIN, 0, "The profile declares no authority of any controller.", "quiet")
            return
        total = len(uses)
        uses = _chosen(uses, sheet.height, self._shown)
        self._shown = frozenset(use.name for use in uses)
        if total > len(uses):
            self.left_out = _counted(total - len(uses), "correction")
        roomy = sheet.height >= 2 * len(uses)
        for place, use in enumerate(uses):
            y = place * (2 if roomy else 1)
            self._row(sheet, look, use, y)
            if roomy:
                self._detail(sheet, look, use, y + 1)

    def _row(self, sheet: Sheet, look: Look, use: AuthorityUse, y: int) -> None:
        narrow = sheet.width < 100
        label_width, figure_width = _columns(sheet.width)
        word, ink = beyond_word(use)
        if word:
            sheet.write(0, y, f" {_shape(ink)}"[:3], ink)
        label = fit(authority_words(use.label), label_width, 1).lines[0]
        sheet.write(MARGIN, y, label, "quiet" if not word else ink, label_width)
        start = MARGIN + label_width + 1
        width = max(10, sheet.width - start - figure_width - 1)
        _track(sheet, start, y, width, use, "ink" if not word else ink)
        x = start + width + 1
        if not math.isfinite(use.value):
            sheet.write(x, y, "not in charge" if math.isfinite(use.most) else "not seen yet", "stale")
            return
        sign = "+" if use.low < 0 and use.value > 0 else ""
        text = sign + look.units.text(use.value, use.unit, use.name)
        sheet.write_right(x + 8, y, text, ink if word else "ink")
        share = f"{use.used * 100:.0f} % used" if math.isfinite(use.used) else ""
        if narrow:
            sheet.write(x + 9, y, word or share, ink if word else "quiet")
            return
        sheet.write_right(x + 19, y, share, ink if word else "quiet")
        sheet.write(x + 21, y, word, ink)

    def _detail(self, sheet: Sheet, look: Look, use: AuthorityUse, y: int) -> None:
        parts = [
            f"everyday {_span(look, use, use.everyday)}",
            f"limit {_span(look, use, (use.low, use.high))}",
        ]
        if math.isfinite(use.most):
            parts.append(f"so far {_span(look, use, (use.least, use.most))}")
        if use.pinned >= 0.1:
            parts.append(f"pinned {use.pinned:.1f} s")
        start = MARGIN + _columns(sheet.width)[0] + 2
        told = tuple("   ".join(parts[:count]) for count in range(len(parts), 0, -1))
        sheet.write(start, y, next((text for text in told if len(text) < sheet.width - start), ""), "faint")


def _columns(width: int) -> tuple[int, int]:
    """Cells for the names on the left, and for the numbers and words on the right."""
    return (21, 25) if width < 100 else (30, 38)


def _span(look: Look, use: AuthorityUse, ends: tuple[float, float]) -> str:
    """A range, without the noughts behind the point."""
    low, high = (look.units.figure(end, use.unit).removesuffix(".0") for end in ends)
    spelt = look.units.spelt(use.unit)
    return f"{low} to {high}{'' if spelt == '°' else ' '}{spelt}"


def _counted(number: int, thing: str) -> str:
    return f"{number} {thing}{'' if number == 1 else 's'}"


def beyond_word(use: AuthorityUse) -> tuple[str, Ink]:
    """A word and an ink for a correction that is not everyday; empty for one that is."""
    if not math.isfinite(use.value):
        return "", "stale"
    share = use.used if math.isfinite(use.used) else 0.0
    if share >= AT:
        return "AT ITS LIMIT", "high"
    if share >= NEAR:
        return "near its limit", "medium"
    return ("beyond everyday", "low") if is_beyond(use) else ("", "ink")


def _shape(ink: Ink) -> str:
    return MARKS.get(ink, "")


def _chosen(uses: Sequence[AuthorityUse], rows: int, shown: frozenset[str]) -> Sequence[AuthorityUse]:
    """As many as there are rows for: the most used ones, in their usual order. One that is `shown` already gives way to
    one that is used more by CALM at least."""
    if len(uses) <= rows:
        return uses

    def worth(use: AuthorityUse) -> float:
        used = use.used if math.isfinite(use.used) else -1.0
        return used + (1.0 if used >= AT else 0.0) + (CALM if use.name in shown else 0.0)

    ranked = sorted(uses, key=worth, reverse=True)[:rows]
    return [use for use in uses if use in ranked]


def _track(sheet: Sheet, x: int, y: int, width: int, use: AuthorityUse, ink: Ink) -> None:
    plain = sheet.plain
    left, right, far, near, used, beyond, zero, tick = "||.-=#+:" if plain else "▕▏┈─━■┼╵"
    inner = width - 2
    span = use.high - use.low

    def cell(value: float) -> int:
        return int(min(inner - 1, max(0, math.floor((value - use.low) / span * inner)))) if span > 0 else 0

    sheet.write(x, y, left, "quiet")
    sheet.write(x + width - 1, y, right, "quiet")
    sheet.write(x + 1, y, far * inner, "faint")
    first, last = cell(use.everyday[0]), cell(use.everyday[1])
    sheet.write(x + 1 + first, y, near * (last - first + 1), "quiet")
    bipolar = use.low < 0 < use.high
    # A controller whose everyday band does not hold zero works around the middle of its range, like a solenoid's duty.
    origin = cell(0.0 if use.everyday[0] <= 0.0 <= use.everyday[1] else (use.low + use.high) / 2)
    for reached in (use.least, use.most):
        if math.isfinite(reached):
            sheet.write(x + 1 + cell(reached), y, tick, "quiet")
    if math.isfinite(use.value):
        at = cell(use.value)
        for place in range(min(origin, at), max(origin, at) + 1):
            outside = is_beyond(use) and (place > last or place < first)
            sheet.write(x + 1 + place, y, beyond if outside else used, ink)
    if bipolar:
        sheet.write(x + 1 + origin, y, zero, "quiet")
