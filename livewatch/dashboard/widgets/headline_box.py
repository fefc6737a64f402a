"""The fixed place of the most urgent thing: what to do in large letters, why in a sentence below."""

from __future__ import annotations

from collections.abc import Hashable

from livewatch.dashboard.content.headline import Headline
from livewatch.dashboard.content.view_state import ViewState
from livewatch.dashboard.drawing.canvas import Canvas, Ink
from livewatch.dashboard.drawing.fitting import Fitted, Wording, fit, wrap
from livewatch.dashboard.drawing.font import LETTER_ROWS, letters
from livewatch.dashboard.widgets.canvas_widget import CanvasWidget
from livewatch.dashboard.widgets.heading import MARGIN, write_lines

__all__ = ["HeadlineBox"]


class HeadlineBox(CanvasWidget):
    """Five rows or more: large letters, a blank, a sentence. Fewer: rows of text.

    Only what is critical and unanswered fills the whole box; the rest fills its word alone. Letters give way where the
    sentence needs their rows.
    """

    def draw(self, canvas: Canvas, view: ViewState) -> None:
        line = view.headline
        ink = _ink(line)
        if line.priority == "critical" and not line.answered:
            ink = "critical-fill"
            canvas.fill(0, 0, canvas.width, canvas.height, ink, " ")
        if not line.word:
            room = canvas.width - MARGIN - 1
            said = self._steady.fit("quiet", (line.reason, *line.shorter), room, canvas.height).lines
            top = (canvas.height - 1) // 2 if len(said) <= canvas.height // 2 else (canvas.height - len(said)) // 2
            write_lines(canvas, MARGIN, top if canvas.height > LETTER_ROWS else 0, said, "quiet")
        elif line.action and canvas.height >= LETTER_ROWS + 2:
            self._large(canvas, line, ink)
        else:
            self._small(canvas, line, ink)

    def _large(self, canvas: Canvas, line: Headline, ink: Ink) -> None:
        room = canvas.width - MARGIN - 1
        big = None if canvas.plain else letters(line.action, room)
        heads = [rows for rows in (big, _capitals(line.action, room)) if rows is not None]
        texts = _texts(line)
        plans = [(head, text) for head in heads for text in texts]
        after = self._word(None, 0, line, ink)

        def fitted(number: int) -> Fitted:
            head, text = plans[number]
            return fit((text,), room, canvas.height - len(head), canvas.width - 1 - after)

        number = self._steady.first(_subject(line, canvas), len(plans), lambda number: fitted(number).whole)
        head, (lines, indent) = plans[number][0], self._hung(fitted(number), plans[number][1], canvas, after)
        spare = canvas.height - len(head) - len(lines)
        # What is left over goes above the letters first, then between them and the sentence.
        top = min(spare, 1 + spare // 3)
        if head is big:
            canvas.stamp(MARGIN, top, head, ink)
        else:
            write_lines(canvas, MARGIN, top, head, ink)
        y = top + len(head) + (1 if spare > top else 0)
        x = self._word(canvas, y, line, ink)
        write_lines(canvas, indent, y, lines, ink if ink.endswith("fill") else "loud", x)

    def _small(self, canvas: Canvas, line: Headline, ink: Ink) -> None:
        y = 2 if canvas.height >= LETTER_ROWS + 2 else 0
        after = self._word(None, 0, line, ink)
        room, rows = canvas.width - MARGIN - 1, canvas.height - y
        texts = _texts(line)
        if line.action:
            rest = [(text,) if isinstance(text, str) else text for text in texts]
            texts = [(line.action, *parts) for parts in rest]
            texts += [f"{line.action}. {' '.join(parts)}" for parts in rest]
        place = _subject(line, canvas)
        said = self._steady.fit(place, texts, room, rows, canvas.width - 1 - after)
        lines, indent = self._hung(said, texts[said.choice], canvas, after, rows)
        x = self._word(canvas, y, line, ink)
        write_lines(canvas, indent, y, lines, ink if ink.endswith("fill") else "loud", x)

    def _hung(
        self, fitted: Fitted, text: Wording, canvas: Canvas, after: int, rows: int | None = None
    ) -> tuple[tuple[str, ...], int]:
        """The lines, and where those behind the first begin: below the first where that takes no more rows."""
        hung = fit((text,), canvas.width - 1 - after, len(fitted.lines) if rows is None else rows)
        if fitted.whole and hung.whole:
            return hung.lines, after
        return fitted.lines, MARGIN

    def _word(self, canvas: Canvas | None, y: int, line: Headline, ink: Ink) -> int:
        """Shape and word, filled while nobody has answered. Returns where the sentence begins."""
        label = f" {line.shape} {line.word} "
        also = f" +{line.also}" if line.also else ""
        if canvas is not None:
            filled = ink if ink.endswith("fill") or line.answered else f"{ink}-fill"
            x = canvas.write(0, y, label, filled)
            canvas.write(x, y, also, ink if ink.endswith("fill") else "quiet")
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


def _subject(line: Headline, canvas: Canvas) -> Hashable:
    return line.word, line.action, line.more, line.answered, canvas.width, canvas.height


def _ink(line: Headline) -> Ink:
    return line.priority or "quiet"
