"""The fixed place of the most urgent thing: what to do in large letters, why in a sentence below."""

from __future__ import annotations

from livewatch.dashboard.drawing.letters import LETTER_ROWS, letters
from livewatch.dashboard.drawing.sheet import Ink, Sheet
from livewatch.dashboard.headline import Headline
from livewatch.dashboard.look import Look
from livewatch.dashboard.widgets.drawn import Drawn
from livewatch.dashboard.widgets.heading import MARGIN, wrapped

__all__ = ["HeadlineBox"]


class HeadlineBox(Drawn):
    """Five rows or more: large letters, a blank, a sentence. Fewer: one or two rows of text.

    Only what is critical and unanswered fills the whole box; the rest fills its word alone.
    """

    def draw(self, sheet: Sheet, look: Look) -> None:
        line = look.headline
        ink = _ink(line)
        if line.priority == "critical" and not line.answered:
            ink = "critical-fill"
            sheet.fill(0, 0, sheet.width, sheet.height, ink, " ")
        if sheet.height >= LETTER_ROWS + 2:
            self._large(sheet, line, ink)
        else:
            self._small(sheet, line, ink)

    def _large(self, sheet: Sheet, line: Headline, ink: Ink) -> None:
        room = sheet.width - MARGIN - 1
        top = max(1 if sheet.height > LETTER_ROWS + 2 else 0, (sheet.height - LETTER_ROWS - 2) // 2)
        below = top + LETTER_ROWS + (1 if sheet.height > LETTER_ROWS + 3 else 0)
        if line.action:
            rows = None if sheet.plain else letters(line.action, room)
            if rows is not None:
                sheet.stamp(MARGIN, top, rows, ink)
            else:
                spaced = " ".join(line.action.upper())
                text = spaced if len(spaced) <= room else line.action.upper()
                sheet.write(MARGIN, top + 1, text, ink, room)
        elif not line.word:
            for down, text in enumerate(wrapped(line.reason, room, 2)):
                sheet.write(MARGIN, top + 1 + down, text, "quiet", room)
            return
        y = below if line.action else top + 1
        x = self._word(sheet, y, line, ink)
        body = ink if ink.endswith("fill") else "loud"
        parts = [line.reason, line.more]
        if len(line.reason) > sheet.width - x - 1 or y + 1 >= sheet.height:
            parts = [f"{line.reason} {line.more}".strip()]
        for part in parts:
            for text in wrapped(part, sheet.width - x - 1, sheet.height - y):
                sheet.write(x, y, text, body, sheet.width - x - 1)
                y += 1

    def _small(self, sheet: Sheet, line: Headline, ink: Ink) -> None:
        if not line.word:
            sheet.write(MARGIN, 0, line.reason, "quiet", sheet.width - MARGIN - 1)
            return
        x = self._word(sheet, 0, line, ink)
        text = "loud" if not ink.endswith("fill") else ink
        if sheet.height == 1:
            sheet.write(
                x, 0, f"{line.action}. {line.reason}" if line.action else line.reason, text, sheet.width - x - 1
            )
            return
        sheet.write(x, 0, line.action or line.reason, text, sheet.width - x - 1)
        rest = f"{line.reason} {line.more}" if line.action else line.more
        sheet.write(x, 1, rest.strip(), text, sheet.width - x - 1)

    def _word(self, sheet: Sheet, y: int, line: Headline, ink: Ink) -> int:
        """Shape and word, filled while nobody has answered. Returns where the sentence begins."""
        label = f" {line.shape} {line.word} "
        filled = ink if ink.endswith("fill") or line.answered else f"{ink}-fill"
        x = sheet.write(0, y, label, filled)
        if line.also:
            x = sheet.write(x + 1, y, f"+{line.also}", ink if ink.endswith("fill") else "quiet")
        return x + 1


def _ink(line: Headline) -> Ink:
    return line.priority or "quiet"
