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
        spare = sheet.height - LETTER_ROWS
        if not line.word:
            for down, text in enumerate(wrapped(line.reason, room, spare)):
                sheet.write(MARGIN, spare // 2 + down, text, "quiet", room)
            return
        lines = self._reason(sheet, line, spare if line.action else sheet.height - 2)
        # What is left over goes above the letters first, then between them and the sentence.
        top = min(1 + (spare - len(lines)) // 3, max(0, spare - len(lines)))
        y = top + LETTER_ROWS + (1 if spare - top > len(lines) else 0) if line.action else 2
        if line.action:
            rows = None if sheet.plain else letters(line.action, room)
            if rows is not None:
                sheet.stamp(MARGIN, top, rows, ink)
            else:
                spaced = " ".join(line.action.upper())
                text = spaced if len(spaced) <= room else line.action.upper()
                sheet.write(MARGIN, top + 1, text, ink, room)
        x = self._word(sheet, y, line, ink)
        for text in lines:
            sheet.write(x, y, text, ink if ink.endswith("fill") else "loud", sheet.width - x - 1)
            y += 1

    def _reason(self, sheet: Sheet, line: Headline, rows: int) -> list[str]:
        """The sentence and the rest of the advice in at most so many rows, each beginning a row where there is room."""
        width = sheet.width - 1 - self._word(None, 0, line, "quiet")
        apart = [text for part in (line.reason, line.more) if part for text in wrapped(part, width, rows)]
        return apart if len(apart) <= rows else wrapped(f"{line.reason} {line.more}", width, rows)

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
        if line.action and len(rest) > sheet.width - x - 1:
            rest = line.reason
        sheet.write(x, 1, rest.strip(), text, sheet.width - x - 1)

    def _word(self, sheet: Sheet | None, y: int, line: Headline, ink: Ink) -> int:
        """Shape and word, filled while nobody has answered. Returns where the sentence begins."""
        label = f" {line.shape} {line.word} "
        also = f" +{line.also}" if line.also else ""
        if sheet is not None:
            filled = ink if ink.endswith("fill") or line.answered else f"{ink}-fill"
            x = sheet.write(0, y, label, filled)
            sheet.write(x, y, also, ink if ink.endswith("fill") else "quiet")
        return len(label) + len(also) + 1


def _ink(line: Headline) -> Ink:
    return line.priority or "quiet"
