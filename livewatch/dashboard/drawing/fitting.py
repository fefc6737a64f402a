"""The one rule by which text takes its place: whole, or in a shorter true wording, or with a sign that there is more.

Wordings of one thing come in, the fullest first, with the cells there are; the lines to write come out. Text wraps
between words. The first wording that fits whole is taken. Where none does, as many whole words of the last as fit are
followed by the key that shows all of it. Nothing is ever left out without a sign.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass
from functools import lru_cache

from rich.cells import cell_len, get_character_cell_size

__all__ = ["MORE", "SIGN", "Fitted", "Steady", "Wording", "fit", "one_line", "wrap"]

MORE = "more: r"
"""Stands where text goes on: the key `r` shows it in full."""
SIGN = "»"
"""The same where there is no room for it."""
ROOMY = 16
"""Cells from which MORE stands rather than SIGN."""

Wording = str | tuple[str, ...]
"""One way to say something: a text, or paragraphs that each begin a line."""


@dataclass(frozen=True, slots=True)
class Fitted:
    """`lines`, the first of which may be narrower than the others; `choice` is the wording taken; `whole` whether it is
    all there."""

    lines: tuple[str, ...]
    choice: int
    whole: bool


@lru_cache(maxsize=4096)
def wrap(text: str, width: int, first: int | None = None) -> tuple[str, ...]:
    """`text` in lines of at most `width` cells, the first of at most `first`; nothing is lost but blanks. A word longer
    than a line goes over several, broken behind `_`, `-`, `/` or `,` where it has one."""
    lines: list[str] = []
    room, line, used = width if first is None else first, "", 0
    for word in text.split():
        size = cell_len(word)
        if line and used + 1 + size <= room:
            line, used = f"{line} {word}", used + 1 + size
            continue
        if line or (size > room and not lines and room < width):
            lines.append(line)
            room, line, used = width, "", 0
        while size > max(1, room):
            head = _head(word, max(1, room))
            lines.append(head)
            word = word[len(head) :]
            size, room = cell_len(word), width
        line, used = word, size
    return (*lines, line) if line or not lines else tuple(lines)


@lru_cache(maxsize=4096)
def fit(wordings: tuple[Wording, ...], width: int, rows: int, first: int | None = None, least: int = 0) -> Fitted:
    """The first of `wordings` from number `least` on that goes whole into `rows` lines of `width` cells, the first line
    of `first`; else whole words of the last, and the sign that there is more."""
    for choice in range(min(least, len(wordings) - 1), len(wordings)):
        lines = _lines(wordings[choice], width, first)
        if len(lines) <= rows and all(cell_len(line) <= _room(at, width, first) for at, line in enumerate(lines)):
            return Fitted(lines, choice, True)
    choice = len(wordings) - 1
    return Fitted(_with_sign(_lines(wordings[choice], width, first), width, rows, first), choice, False)


def one_line(text: str, width: int) -> str:
    """`text` in one line of at most `width` cells, by the same rule."""
    if width <= 0:
        return ""
    return fit((text,), width, 1).lines[0]


class Steady:
    """Keeps a choice from going to and fro while figures change: what had to be said shortly stays short for as long as
    it is said of the same subject and in the same place."""

    def __init__(self) -> None:
        self._choice: dict[Hashable, int] = {}

    def fit(
        self, subject: Hashable, wordings: Sequence[Wording], width: int, rows: int, first: int | None = None
    ) -> Fitted:
        """As `fit`, never back to a fuller wording."""
        place = (subject, width, rows)
        fitted = fit(tuple(wordings), width, rows, first, self._choice.get(place, 0))
        self._keep(place, fitted.choice)
        return fitted

    def first(self, subject: Hashable, count: int, good: Callable[[int], bool]) -> int:
        """The first number below `count` that is good, none before the last one given for `subject`; the last where
        none is."""
        for number in range(min(self._choice.get(subject, 0), count - 1), count):
            if good(number):
                break
        self._keep(subject, number)
        return number

    def _keep(self, subject: Hashable, choice: int) -> None:
        if len(self._choice) > 500 and subject not in self._choice:
            self._choice.clear()
        self._choice[subject] = choice


def _room(at: int, width: int, first: int | None) -> int:
    return width if at or first is None else first


def _lines(wording: Wording, width: int, first: int | None) -> tuple[str, ...]:
    if isinstance(wording, str):
        return wrap(wording, width, first)
    lines: list[str] = []
    for part in wording:
        if part:
            lines += wrap(part, width, first if not lines else None)
    return tuple(lines) or ("",)


def _with_sign(lines: tuple[str, ...], width: int, rows: int, first: int | None) -> tuple[str, ...]:
    if rows < 1 or width < 1:
        return ("",)
    kept = list(lines[:rows])
    room = _room(len(kept) - 1, width, first)
    sign = MORE if room >= ROOMY else SIGN
    words = kept[-1].split()
    while words and cell_len(" ".join(words)) + 1 + cell_len(sign) > room:
        word = words.pop()
        # A word that no line could hold is begun; a number never is.
        if not words and not any(character.isdigit() for character in word):
            start = _head(word, room - 1 - cell_len(sign))
            words = [start] if start and cell_len(start) + 1 + cell_len(sign) <= room else []
            break
    kept[-1] = " ".join([*words, sign])[: max(room, 0)]
    return tuple(kept)


def _head(word: str, room: int) -> str:
    """The beginning of a word in at most `room` cells, up to a joint where it has one."""
    used, stop, joint = 0, 0, 0
    for stop, character in enumerate(word):
        used += get_character_cell_size(character)
        if used > room:
            break
        if character in "_-/,":
            joint = stop + 1
    else:
        return word
    return word[: joint or max(stop, 0)] if room > 0 and (joint or stop) else (word[:1] if room > 0 else "")
