"""What a cause of some size does to the observations: one effect, and several worked out together.

Columns that say where on the range of the engine each observation lies come in; means and slopes go out, as functions
of one size. Many effects at a time are one step of numpy, which is faster than many steps.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from livewatch.signature.evidence.readings import Column

__all__ = ["MOST_TAKEN", "Bend", "Effect", "Effects", "bent", "linear"]

LEAST_LEFT = 0.15
"""Share that is left at the least: kept away from a logarithm of nothing."""
MOST_TAKEN = 0.8
"""Share that a controller takes away at the most, where its limit is not known."""

Mean = Callable[[Any], Column]


@dataclass(frozen=True, slots=True, eq=False)
class Bend:
    """sign * log(1 + size * feature) for n observations, float64 (n,); or for k of them at a time, (k, n) with sizes
    (k, 1). Where `shut` is 1, a controller takes away size * feature, or its share of the whole where `shared`, and
    no more than `most`: at its limit it says nothing of how much it would have to."""

    sign: Column
    feature: Column
    shut: Column | None = None
    shared: bool = False
    most: Column | float = MOST_TAKEN

    def mean(self, size: Any) -> Column:
        """The effect, 0 for size 0."""
        more = size * self.feature
        change: Column = self.sign * np.log(np.maximum(1.0 + more, LEAST_LEFT))
        if self.shut is None:
            return change
        taken: Column = change - self.shut * np.minimum(self._wanted(more), self.most)
        return taken

    def slope(self, size: Any) -> Column:
        """Its derivative."""
        more = size * self.feature
        left = 1.0 + more
        slope = np.where(left > LEAST_LEFT, self.sign * self.feature / np.maximum(left, LEAST_LEFT), 0.0)
        if self.shut is None:
            return slope
        rate = self.feature / left**2 if self.shared else self.feature
        taken: Column = slope - self.shut * np.where(self._wanted(more) < self.most, rate, 0.0)
        return taken

    def _wanted(self, more: Column) -> Column:
        return more / (1.0 + more) if self.shared else more


@dataclass(frozen=True, slots=True, eq=False)
class Line:
    """size * column, of one effect or several, as `Bend`."""

    column: Column

    def mean(self, size: Any) -> Column:
        """The effect."""
        along: Column = size * self.column
        return along

    def slope(self, size: Any) -> Column:
        """Its derivative."""
        return self.column


@dataclass(frozen=True, slots=True, eq=False)
class Effect:
    """What a cause of some size does to the observations.

    Attributes:
        mean: size to float64 (n,), 0 everywhere for size 0; sizes (k, 1) to (k, n). `slope` its derivative.
        spread: standard deviation of the size beforehand, around 0.
        low: sizes below make no sense (0 for what is there or not).
        linear: whether the mean goes with the size.
        shape: what `mean` and `slope` are of; None for another effect.
    """

    mean: Mean
    slope: Mean
    spread: float
    low: float = -np.inf
    linear: bool = False
    shape: Bend | Line | None = None


def linear(column: Column, spread: float) -> Effect:
    """size * column."""
    line = Line(column)
    return Effect(line.mean, line.slope, spread, linear=True, shape=line)


def bent(bend: Bend, spread: float, low: float = -np.inf) -> Effect:
    """One that bends."""
    return Effect(bend.mean, bend.slope, spread, low, shape=bend)


class Effects:
    """Several effects, each at a size of its own."""

    def __init__(self, effects: Sequence[Effect]) -> None:
        self._others = [(k, effect) for k, effect in enumerate(effects) if effect.shape is None]
        shapes: dict[tuple[type, bool], list[int]] = {}
        for k, effect in enumerate(effects):
            if effect.shape is not None:
                kind = type(effect.shape), isinstance(effect.shape, Bend) and effect.shape.shut is not None
                shapes.setdefault(kind, []).append(k)
        self._shapes = [(at, _stacked([effects[k].shape for k in at])) for at in shapes.values()]

    def means(self, sizes: Column) -> Column:
        """What they do at these sizes, float64 (effects, n)."""
        own = {k: effect.mean(float(sizes[k])) for k, effect in self._others}
        return self._together(len(sizes), own, [shape.mean(sizes[at, None]) for at, shape in self._shapes])

    def slopes(self, sizes: Column) -> Column:
        """The derivatives of that."""
        own = {k: effect.slope(float(sizes[k])) for k, effect in self._others}
        return self._together(len(sizes), own, [shape.slope(sizes[at, None]) for at, shape in self._shapes])

    def _together(self, count: int, own: dict[int, Column], shaped: list[Column]) -> Column:
        if not own and len(shaped) == 1:
            return shaped[0]
        rows = np.empty((count, len(next(iter(own.values()))) if own else shaped[0].shape[1]))
        for k, row in own.items():
            rows[k] = row
        for (at, _), some in zip(self._shapes, shaped, strict=True):
            rows[at] = some
        return rows


def _stacked(shapes: Sequence[Bend | Line | None]) -> Bend | Line:
    """Shapes of one kind as one."""
    first = shapes[0]

    def rows(part: str) -> Column:
        return np.array([getattr(one, part) for one in shapes])

    if not isinstance(first, Bend):
        return Line(rows("column"))
    return replace(first, sign=rows("sign"), feature=rows("feature"), shut=None if first.shut is None else rows("shut"))
