"""The one font: large figures readable at an arm's length, in any size, and capitals for the one thing to do now.

Text comes in; rows of block characters come out. Figures and signs are built from strokes on a grid of quarter cells,
so that one description serves every size and three weights: a normal value is drawn light, an abnormal one heavy, one
too old to trust in dots. The weight says it without colour. Capitals have one size, three rows; figures among them
follow.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

__all__ = ["LETTER_ROWS", "Weight", "figure", "figure_width", "letters"]

LETTER_ROWS = 3

Weight = Literal["light", "heavy", "dotted"]
Grid = NDArray[np.bool_]

_QUARTERS = " ▘▝▀▖▌▞▛▗▚▐▜▄▙▟█"
"""Index: 1 upper left, 2 upper right, 4 lower left, 8 lower right."""


def figure_width(text: str, height: int) -> int:
    """Cells that `figure(text, height)` takes across."""
    return sum(_columns(character, height) for character in text) + max(0, len(text) - 1) * _gap(height)


@lru_cache(maxsize=1024)
def figure(text: str, height: int, weight: Weight = "light", plain: bool = False) -> tuple[str, ...]:
    """`text` (digits, point, minus, plus, colon, blank) as `height` rows, 5 or more; other characters become blanks.
    ASCII only when `plain`."""
    fine = 1 if plain else 2
    gap = np.zeros((fine * height, fine * _gap(height)), np.bool_)
    parts: list[Grid] = []
    for character in text:
        if parts:
            parts.append(gap)
        parts.append(_draw(character, height, weight, plain))
    grid = np.concatenate(parts, axis=1) if parts else np.zeros((fine * height, 0), np.bool_)
    if plain:
        mark = {"light": "#", "heavy": "@", "dotted": ":"}[weight]
        return tuple("".join(mark if cell else " " for cell in row) for row in grid)
    return _dots(grid) if weight == "dotted" else quarters(grid)


def quarters(grid: Grid) -> tuple[str, ...]:
    """Rows of quarter-block characters for a grid of bool (2 * rows, 2 * columns)."""
    code = grid[0::2, 0::2] + 2 * grid[0::2, 1::2] + 4 * grid[1::2, 0::2] + 8 * grid[1::2, 1::2].astype(int)
    return tuple("".join(_QUARTERS[cell] for cell in row) for row in code)


def _dots(grid: Grid) -> tuple[str, ...]:
    """The same grid in braille dots, so that it looks worn thin."""
    upper = grid[0::2, 0::2] * 0x01 + grid[0::2, 1::2] * 0x08
    lower = grid[1::2, 0::2] * 0x04 + grid[1::2, 1::2] * 0x20
    return tuple("".join(chr(0x2800 + cell) if cell else " " for cell in row) for row in upper + lower)


def _columns(character: str, height: int) -> int:
    """Cells a character takes across at this height."""
    if character in ".:":
        return 1 if height < 6 else 2
    if character == " ":
        return 1
    return height - 1


def _gap(height: int) -> int:
    return 1 if height < 7 else 2


def _draw(character: str, height: int, weight: Weight, plain: bool) -> Grid:
    columns = _columns(character, height)
    if plain:
        pen = _Pen(height, columns, 1 if height < 8 else 2, 1)
    else:
        pen = _Pen(2 * height, 2 * columns, *_stroke(height, weight))
    stroke = _STROKES.get(character)
    if stroke is not None:
        stroke(pen)
    return pen.grid


def _stroke(height: int, weight: Weight) -> tuple[int, int]:
    """Width of upright and thickness of level strokes in quarter cells. A quarter cell is twice as high as wide."""
    heavy = weight == "heavy"
    if height < 6:
        return (3, 2) if heavy else (2, 1)
    if height < 8:
        return (4, 2) if heavy else (2, 1)
    return (6, 3) if heavy else (4, 2)


class _Pen:
    """Draws strokes on a grid; sides are named as on a clock face seen from the reader."""

    def __init__(self, rows: int, columns: int, across: int, down: int) -> None:
        self.grid: Grid = np.zeros((rows, columns), np.bool_)
        self.across, self.down = across, down
        self.bottom, self.right = rows - down, columns - across
        self.middle = (rows - down) // 2
        # The tip of an open end takes a third of the opening at the most, or a 6 would look like an 8.
        self.tip = down + max(0, min(down, (self.middle - down) // 3))

    def level(self, y: int, start: int = 0, stop: int | None = None) -> None:
        self.grid[y : y + self.down, start:stop] = True

    def upright(self, x: int, start: int = 0, stop: int | None = None) -> None:
        self.grid[start:stop, x : x + self.across] = True

    def slant(self, x0: int, y0: int, x1: int, y1: int) -> None:
        """A stroke from (x0, y0) down to (x1, y1), y1 > y0."""
        for y in range(y0, y1 + 1):
            x = round(x0 + (x1 - x0) * (y - y0) / (y1 - y0))
            self.grid[y, max(0, x) : x + self.across] = True

    def round_off(self, *corners: str) -> None:
        """Take the tip off outer corners: "tl", "tr", "bl", "br"."""
        tip = self.across // 2
        for corner in corners if tip else ():
            y = 0 if corner[0] == "t" else -1
            if corner[1] == "l":
                self.grid[y, :tip] = False
            else:
                self.grid[y, -tip:] = False


def _zero(pen: _Pen) -> None:
    pen.level(0)
    pen.level(pen.bottom)
    pen.upright(0)
    pen.upright(pen.right)
    pen.round_off("tl", "tr", "bl", "br")


def _one(pen: _Pen) -> None:
    centre = pen.right // 2 + pen.across // 2
    pen.upright(centre)
    pen.level(pen.down if pen.bottom > 8 * pen.down else 0, max(0, centre - pen.across), centre)
    pen.level(pen.bottom, max(0, centre - pen.across), centre + 2 * pen.across)


def _two(pen: _Pen) -> None:
    pen.level(0)
    pen.upright(pen.right, 0, pen.middle)
    pen.upright(0, 0, pen.tip)
    pen.slant(pen.right, pen.middle, 0, pen.bottom - 1)
    pen.level(pen.bottom)
    pen.round_off("tl", "tr")


def _three(pen: _Pen) -> None:
    pen.level(0)
    pen.level(pen.middle, pen.across)
    pen.level(pen.bottom)
    pen.upright(pen.right)
    pen.upright(0, 0, pen.tip)
    pen.upright(0, pen.bottom + pen.down - pen.tip)
    pen.round_off("tl", "tr", "bl", "br")


def _four(pen: _Pen) -> None:
    if len(pen.grid) < 8:  # too coarse for a slant
        pen.upright(0, 0, pen.middle)
        pen.level(pen.middle)
        pen.upright(pen.right)
        return
    cross = pen.middle + 2 * pen.down
    pen.slant(pen.right // 2, 0, 0, cross - 1)
    pen.level(cross)
    pen.upright(pen.right - pen.across // 2, pen.middle - pen.down)


def _five(pen: _Pen) -> None:
    pen.level(0)
    pen.upright(0, 0, pen.middle + pen.down)
    pen.level(pen.middle)
    pen.upright(pen.right, pen.middle)
    pen.level(pen.bottom)
    pen.upright(0, pen.bottom + pen.down - pen.tip)
    pen.round_off("bl", "br")


def _six(pen: _Pen) -> None:
    pen.level(0)
    pen.upright(0)
    pen.level(pen.middle)
    pen.upright(pen.right, pen.middle)
    pen.upright(pen.right, 0, pen.tip)
    pen.level(pen.bottom)
    pen.round_off("tl", "tr", "bl", "br")


def _seven(pen: _Pen) -> None:
    pen.level(0)
    pen.upright(pen.right, 0, 2 * pen.down)
    pen.slant(pen.right, 2 * pen.down, pen.right // 3, pen.bottom + pen.down - 1)


def _eight(pen: _Pen) -> None:
    _zero(pen)
    pen.level(pen.middle)


def _nine(pen: _Pen) -> None:
    pen.level(0)
    pen.upright(0, 0, pen.middle + pen.down)
    pen.upright(pen.right)
    pen.level(pen.middle)
    pen.level(pen.bottom)
    pen.upright(0, pen.bottom + pen.down - pen.tip)
    pen.round_off("tl", "tr", "bl", "br")


def _minus(pen: _Pen) -> None:
    pen.level(pen.middle, pen.across // 2, pen.right + pen.across // 2)


def _plus(pen: _Pen) -> None:
    _minus(pen)
    pen.upright(pen.right // 2, pen.middle - 2 * pen.down, pen.middle + 3 * pen.down)


def _point(pen: _Pen) -> None:
    pen.grid[-max(1, pen.down) :, :] = True


def _colon(pen: _Pen) -> None:
    rows = len(pen.grid)
    for y in (rows // 3, rows - rows // 3 - pen.down):
        pen.grid[y : y + pen.down, :] = True


_STROKES = {
    "0": _zero,
    "1": _one,
    "2": _two,
    "3": _three,
    "4": _four,
    "5": _five,
    "6": _six,
    "7": _seven,
    "8": _eight,
    "9": _nine,
    "-": _minus,
    "−": _minus,
    "+": _plus,
    ".": _point,
    ":": _colon,
}


_SHAPES = """
A .####. ##..## ##..## ###### ##..## ##..##
B #####. ##..## #####. ##..## ##..## #####.
C .##### ##.... ##.... ##.... ##.... .#####
D #####. ##..## ##..## ##..## ##..## #####.
E ###### ##.... #####. ##.... ##.... ######
F ###### ##.... #####. ##.... ##.... ##....
G .##### ##.... ##.... ##.### ##..## .#####
H ##..## ##..## ###### ##..## ##..## ##..##
I ## ## ## ## ## ##
J ....## ....## ....## ....## ##..## .####.
K ##..## ##.##. ####.. ##.##. ##..## ##..##
L ##.... ##.... ##.... ##.... ##.... ######
M ##....## ###..### ######## ##.##.## ##....## ##....##
N ##...## ###..## ####.## ##.#### ##..### ##...##
O .####. ##..## ##..## ##..## ##..## .####.
P #####. ##..## ##..## #####. ##.... ##....
Q .####. ##..## ##..## ##..## ##.##. .###.#
R #####. ##..## ##..## #####. ##.##. ##..##
S .##### ##.... .####. ....## ....## #####.
T ###### ..##.. ..##.. ..##.. ..##.. ..##..
U ##..## ##..## ##..## ##..## ##..## .####.
V ##..## ##..## ##..## ##..## .####. ..##..
W ##....## ##....## ##.##.## ######## ###..### ##....##
X ##..## .####. ..##.. ..##.. .####. ##..##
Y ##..## ##..## .####. ..##.. ..##.. ..##..
Z ###### ....## ...##. ..##.. .##... ######
, .. .. .. .. ## #.
' ## #. .. .. .. ..
% ##..# ##.#. ..#.. .#... #.## ..#.##
/ ....# ...#. ...#. .#... .#... #....
! ## ## ## ## .. ##
? .####. ##..## ...##. ..##.. ...... ..##..
( .## ##. ##. ##. ##. .##
) ##. .## .## .## .## ##.
"""
_ROWS = {
    shape: [[cell == "#" for cell in row.ljust(max(map(len, rows)), ".")] for row in rows]
    for shape, *rows in (line.split() for line in _SHAPES.strip().splitlines())
}


@lru_cache(maxsize=256)
def letters(text: str, width: int) -> tuple[str, ...] | None:
    """`text` in capitals as LETTER_ROWS rows of at most `width` cells, spaced a whole cell apart or, where that is too
    long, half a cell; None when it does not fit, or has a character that is not drawn."""
    shapes = [_letter(character) for character in text.upper()]
    if not shapes or any(shape is None for shape in shapes):
        return None
    for gap in (2, 1):
        apart = np.zeros((2 * LETTER_ROWS, gap), np.bool_)
        grid = np.concatenate([part for shape in shapes if shape is not None for part in (apart, shape)][1:], axis=1)
        if grid.shape[1] <= 2 * width:
            return quarters(np.pad(grid, ((0, 0), (0, grid.shape[1] % 2))))
    return None


def _letter(character: str) -> Grid | None:
    """A character three rows high; None for one that is not drawn."""
    if character in _ROWS:
        return np.array(_ROWS[character], np.bool_)
    stroke = _STROKES.get(character)
    if stroke is None:
        return np.zeros((2 * LETTER_ROWS, 3), np.bool_) if character == " " else None
    pen = _Pen(2 * LETTER_ROWS, 2 if character in ".:" else 6, 2, 1)
    stroke(pen)
    return pen.grid
