"""Large letters for the one thing to do now: three rows high, three or four cells wide.

A short text comes in; three rows of quarter-block characters come out, or None when it does not fit.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from livewatch.dashboard.drawing.large_figures import quarters

__all__ = ["LETTER_ROWS", "letters"]

LETTER_ROWS = 3

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
0 .####. ##..## ##..## ##..## ##..## .####.
1 .## ### .## .## .## .##
2 .####. ##..## ...##. ..##.. .##... ######
3 #####. ....## ..###. ....## ....## #####.
4 ...##. ..###. .#.##. ###### ...##. ...##.
5 ###### ##.... #####. ....## ....## #####.
6 .####. ##.... #####. ##..## ##..## .####.
7 ###### ....## ...##. ..##.. .##... .##...
8 .####. ##..## .####. ##..## ##..## .####.
9 .####. ##..## ##..## .##### ....## .####.
. .. .. .. .. ## ##
, .. .. .. .. ## #.
: .. ## .. .. ## ..
- .... .... #### .... .... ....
' ## #. .. .. .. ..
% ##..# ##.#. ..#.. .#... #.## ..#.##
/ ....# ...#. ...#. .#... .#... #....
+ ...... ..##.. ###### ..##.. ...... ......
! ## ## ## ## .. ##
? .####. ##..## ...##. ..##.. ...... ..##..
( .## ##. ##. ##. ##. .##
) ##. .## .## .## .## ##.
"""
_ROWS = {
    shape: [[cell == "#" for cell in row.ljust(max(map(len, rows)), ".")] for row in rows]
    for shape, *rows in (line.split() for line in _SHAPES.strip().splitlines())
}
_BLANK = [[False] * 3] * 6


@lru_cache(maxsize=256)
def letters(text: str, width: int) -> tuple[str, ...] | None:
    """`text` in capitals as LETTER_ROWS rows of at most `width` cells, spaced a whole cell apart or, where that is too
    long, half a cell; None when it does not fit, or has a character that is not drawn."""
    shapes = [_BLANK if character == " " else _ROWS.get(character) for character in text.upper()]
    if not shapes or None in shapes:
        return None
    for gap in (2, 1):
        grid: list[list[bool]] = [[] for _ in range(2 * LETTER_ROWS)]
        for position, shape in enumerate(shapes):
            for row, cells in zip(grid, shape or _BLANK, strict=True):
                row.extend([False] * (gap if position else 0) + cells)
        columns = len(grid[0])
        if columns <= 2 * width:
            return quarters(np.array([row + [False] * (columns % 2) for row in grid], np.bool_))
    return None
