"""The fixed place of the most urgent thing: what to do in large letters, why in a sentence below."""

from __future__ import annotations

from collections.abc import Hashable

from livewatch.dashboard.drawing.fitting import Fitted, Steady, Wording, fit, wrap
from livewatch.dashboard.drawing.letters import LETTER_ROWS, letters
from livewatch.dashboard.drawing.sheet import Ink, Sheet
from livewatch.dashboard.headline import Headline
from livewatch.dashboard.look import Look
from livewatch.dashboard.widgets.drawn import Drawn
from livewatch.dashboard.widgets.heading import MARGIN, write_lines

__all__ = ["HeadlineBox"]


class HeadlineBox(Drawn):
    """Five rows or more: large letters, a blank, a sentence. Fewer: rows of text.

    Only what is critical and unanswered fills the whole box; the rest fills its word alone. Letters give way where the
    sentence needs their rows.
    """

    def __init__(self, *, id: str | None = None, classes: str | None = None) -> None:
        super().__init__(id=id, classes=classes)
        self._steady = Steady()

    def draw(self, sheet: Sheet, look: Look) -> None:
        line = look.headline
        ink = _ink(line)
        if line.priority == "critical" and not line.answered:
            ink = "critical-fill"
            sheet.fill(0, 0, sheet.width, sheet.height, ink, " ")
        if not line.word:
            room = sheet.width - MARGIN - 1
            said = self._steady.fit("quiet", (line.reason, *line.shorter), room, sheet.height).lines
            top = (sheet.height - 1) // 2 if len(said) <= sheet.height // 2 else (sheet.height - len(said)) // 2
            write_lines(sheet, MARGIN, top if sheet.height > LETTER_ROWS else 0, said, "quiet")
        elif line.action and sheet.height >= LETTER_ROWS + 2:
            self._large(sheet, line, ink)
        else:
            self._small(sheet, line, ink)

    def _large(self, sheet: Sheet, line: Headline, ink: Ink) -> None:
        room = sheet.width - MARGIN - 1
        big = None if sheet.plain else letters(line.action, room)
        heads = [rows for rows in (big, _capitals(line.action, room)) if rows is not None]
        texts = _texts(line)
        plans = [(head, text) for head in heads for text in texts]
        after = self._word(None, 0, line, ink)

        def fitted(number: int) -> Fitted:
            head, text = plans[number]
            return fit((text,), room, sheet.height - len(head), sheet.width - 1 - after)

        number = self._steady.first(_subject(line, sheet), len(plans), lambda number: fitted(number).whole)
        head, (lines, indent) = plans[number][0], self._hung(fitted(number), plans[number][1], sheet, after)
        spare = sheet.height - len(head) - len(lines)
        # What is left over goes above the letters first, then between them and the sentence.
        top = min(spare, 1 + spare // 3)
        if head is big:
            sheet.stamp(MARGIN, top, head, ink)
        else:
            write_lines(sheet, MARGIN, top, head, ink)
        y = top + len(head) + (1 if spare > top else 0)
        x = self._word(sheet, y, line, ink)
        write_lines(sheet, indent, y, lines, ink if ink.endswith("fill") else "loud", x)

    def _small(self, sheet: Sheet, line: Headline, ink: Ink) -> None:
        y = 2 if sheet.height >= LETTER_ROWS + 2 else 0
        after = self._word(None, 0, line, ink)
        room, rows = sheet.width - MARGIN - 1, sheet.height - y
        texts = _texts(line)
        if line.action:
            rest = [(text,) if isinstance(text, str) else text for text in texts]
            texts = [(line.action, *parts) for parts in rest]
            texts += [f"{line.action}. {' '.join(parts)}" for parts in rest]
        place = _subject(line, sheet)
        said = self._steady.fit(place, texts, room, rows, sheet.width - 1 - after)
        lines, indent = self._hung(said, texts[said.choice], sheet, after, rows)
        x = self._word(sheet, y, line, ink)
        write_lines(sheet, indent, y, lines, ink if ink.endswith("fill") else "loud", x)

    def _hung(
        self, fitted: Fitted, text: Wording, sheet: Sheet, after: int, rows: int | None = None
    ) -> tuple[tuple[str, ...], int]:
        """The lines, and where those behind the first begin: below the first where that takes no more rows."""
        hung = fit((text,), sheet.width - 1 - after, len(fitted.lines) if rows is None else rows)
        if fitted.whole and hung.whole:
            return hung.lines, after
        return fitted.lines, MARGIN

    def _word(self, sheet: Sheet | None, y: int, line: Headline, ink: Ink) -> int:
        """Shape and word, filled while nobody has answered. Returns where the sentence begins."""
        label = f" {line.shape} {line.word} "
        also = f" +{line.also}" if line.also else ""
        if sheet is not None:
            filled = ink if ink.endswith("fill") or line.answered else f"{ink}-fill"
            x = sheet.write(0, y, label, filled)
            sheet.write(x, y, also, ink if ink.endswith("fill") else "quiet")
        return len(label) + len(also) + 1


def _texts(line: Headline) -> list[Wording]:
    """Why, and the rest of the advice: each beginning a row, then one behind the other, then shorter."""
    texts: list[Wording] = []
    for reason in (line.reason, *line.shorter):
        texts += [(reason, line.more), f"{reason} {line.more}"] if line.more else [reason]
    return texts


def _capitals(text: str, width: int) -> tuple[str, ...]:
    """Capitals, spaced where there is room."""
    spaced = " ".join(text.upper())
    return (spaced,) if len(spaced) <= width else wrap(text.upper(), width)


def _subject(line: Headline, sheet: Sheet) -> Hashable:
    return line.word, line.action, line.more, line.answered, sheet.width, sheet.height


def _ink(line: Headline) -> Ink:
    return line.priority or "quiet"
