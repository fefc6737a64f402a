"""Curves on a canvas: lines, levels and areas in braille dots, two across and four down in every cell.

Numbers in the reader's units come in with the range each axis covers; dots go onto the canvas. Where several curves
meet in one cell it takes the ink of the one drawn last. On a plain canvas the marks ' - . stand at three heights in a
cell. Unknown (NaN) points break a curve.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from livewatch.dashboard.drawing.canvas import Canvas, Ink

__all__ = ["SOLID", "Dash", "Plot"]

Dash = tuple[int, int]
"""Dot columns drawn, and left out after them."""
SOLID: Dash = (1, 0)

_BRAILLE = np.array([[0x01, 0x08], [0x02, 0x10], [0x04, 0x20], [0x40, 0x80]])
_PLAIN = " '-:.|:|"
"""Index: 1 upper third, 2 middle, 4 lower."""


class Plot:
    """A rectangle of a canvas, `width` x `height` cells at (`x`, `y`), over which an axis runs across and one up.

    Args:
        across, up: (low, high) of the axes; a range of no length is widened.
    """

    def __init__(
        self,
        canvas: Canvas,
        x: int,
        y: int,
        width: int,
        height: int,
        across: tuple[float, float],
        up: tuple[float, float],
    ) -> None:
        self.canvas = canvas
        self.x, self.y = x, y
        self.width, self.height = max(1, width), max(1, height)
        self.across, self.up = _widened(across), _widened(up)
        self._per_cell = (1, 3) if canvas.plain else (2, 4)
        self._columns, self._rows = self.width * self._per_cell[0], self.height * self._per_cell[1]
        self._set = np.zeros((self._rows, self._columns), np.bool_)
        self._ink = np.full((self.height, self.width), "", object)

    def curve(self, xs: ArrayLike, ys: ArrayLike, ink: Ink, dash: Dash = SOLID) -> None:
        """A line through the points, in order."""
        columns, rows = self._points(np.asarray(xs, np.float64), np.asarray(ys, np.float64))
        if not len(columns):
            return
        if sum(dash) > 1:
            keep = columns % sum(dash) < dash[0]
            columns, rows = columns[keep], rows[keep]
        self._dots(columns, rows, ink)

    def level(self, value: float, ink: Ink, dash: Dash = SOLID) -> None:
        """A level line all the way across; nothing when it lies outside the axis."""
        if self.up[0] <= value <= self.up[1]:
            self.curve(self.across, (value, value), ink, dash)

    def area(self, xs: ArrayLike, ys: ArrayLike, ink: Ink) -> None:
        """A line with everything below it filled."""
        columns, rows = self._points(np.asarray(xs, np.float64), np.asarray(ys, np.float64))
        top = np.full(self._columns, self._rows)
        np.minimum.at(top, columns, rows)
        filled = np.arange(self._rows)[:, None] >= top[None, :]
        down, right = np.nonzero(filled)
        self._dots(right, down, ink)

    def finish(self) -> None:
        """Put what was drawn on the canvas."""
        across, down = self._per_cell
        blocks = self._set.reshape(self.height, down, self.width, across)
        if self.canvas.plain:
            code = (blocks[:, :, :, 0] * np.array([1, 2, 4])[None, :, None]).sum(axis=1)
        else:
            code = np.einsum("hdwa,da->hw", blocks.astype(np.int64), _BRAILLE)
        for down_cells, right_cells in zip(*np.nonzero(code), strict=True):
            dots = int(code[down_cells, right_cells])
            character = _PLAIN[dots] if self.canvas.plain else chr(0x2800 + dots)
            ink = self._ink[down_cells, right_cells]
            self.canvas.write(self.x + int(right_cells), self.y + int(down_cells), character, ink)

    def _points(self, xs: NDArray[np.float64], ys: NDArray[np.float64]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Dot columns and rows of a line through the points, those between them included."""
        across = (xs - self.across[0]) / (self.across[1] - self.across[0]) * (self._columns - 1)
        down = (self.up[1] - ys) / (self.up[1] - self.up[0]) * (self._rows - 1)
        across, down = np.rint(across), np.rint(down)
        empty = np.empty(0, np.int64)
        if not len(xs):
            return empty, empty
        known = np.isfinite(across) & np.isfinite(down)
        limit = 4.0 * (self._columns + self._rows)
        across, down = np.clip(across, -limit, limit), np.clip(down, -limit, limit)
        joined = known[:-1] & known[1:]
        step_x, step_y = np.diff(across)[joined], np.diff(down)[joined]
        count = np.maximum(1, np.maximum(np.abs(step_x), np.abs(step_y))).astype(np.int64)
        start = np.repeat(np.cumsum(count) - count, count)
        share = (np.arange(int(count.sum())) - start) / np.repeat(count, count)
        between_x = np.repeat(across[:-1][joined], count) + share * np.repeat(step_x, count)
        between_y = np.repeat(down[:-1][joined], count) + share * np.repeat(step_y, count)
        columns = np.rint(np.concatenate((between_x, across[known]))).astype(np.int64)
        rows = np.rint(np.concatenate((between_y, down[known]))).astype(np.int64)
        # A value off the scale runs along the edge: it must not vanish just when it matters.
        rows = np.clip(rows, 0, self._rows - 1)
        inside = (columns >= 0) & (columns < self._columns)
        return columns[inside], rows[inside]

    def _dots(self, columns: NDArray[np.int64], rows: NDArray[np.int64], ink: Ink) -> None:
        self._set[rows, columns] = True
        self._ink[rows // self._per_cell[1], columns // self._per_cell[0]] = ink


def _widened(axis: tuple[float, float]) -> tuple[float, float]:
    low, high = float(axis[0]), float(axis[1])
    if not (np.isfinite(low) and np.isfinite(high)):
        return 0.0, 1.0
    return (low, high) if high > low else (low - 0.5, low + 0.5)
