"""Which signals a multiplexed row carries.

A multiplexer's declared ranges cut its raw values into classes; each class selects a set of signals. Rows come in,
(slot, row) pairs come out. Multiplexers may select further multiplexers ("extended multiplexing").
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from livewatch.decode.field import Field
from livewatch.profile.model import Signal

__all__ = ["Multiplexer", "Selection", "plan"]

LARGEST = (1 << 63) - 1


@dataclass(slots=True, eq=False)
class Selection:
    """Collects what multiplexers selected: parallel parts of slots, their counts and their rows, in slot order; rows
    too short for a multiplexer; rows whose multiplexer has a value no signal declares."""

    slots: list[NDArray[np.int64]] = field(default_factory=list)
    counts: list[NDArray[np.int64]] = field(default_factory=list)
    rows: list[NDArray[np.int64]] = field(default_factory=list)
    short: list[NDArray[np.int64]] = field(default_factory=list)
    undeclared: list[NDArray[np.int64]] = field(default_factory=list)


@dataclass(frozen=True, slots=True, eq=False)
class Multiplexer:
    """One multiplexer signal with c classes of raw values.

    Attributes:
        place: where it is.
        first: number of the first slot it selects directly; the k slots are numbered without gaps.
        bounds: int64 (c - 1,), ascending raw values at which the next class starts; class 0 lies below the first.
        starts, sizes: int64 (c,), which part of `selected` belongs to each class.
        selected: unsigned, slots of each class less `first`, ascending within it.
        declared: bool (c,), whether any signal of the layout, wanted or not, or a word of the multiplexer's own
            value table belongs to the class.
        further: multiplexers selected by this one, each with bool (c,) saying when.
    """

    place: Field
    first: int
    bounds: NDArray[np.int64]
    starts: NDArray[np.int64]
    sizes: NDArray[np.int64]
    selected: NDArray[np.unsignedinteger]
    declared: NDArray[np.bool_]
    further: tuple[tuple[NDArray[np.bool_], Multiplexer], ...]

    def select(
        self,
        words: NDArray[np.uint64],
        length: NDArray[np.uint8] | NDArray[np.uint16],
        rows: NDArray[np.int64],
        into: Selection,
    ) -> None:
        """Add the pairs of `rows` to `into`."""
        received = length[rows] >= self.place.need
        if not received.all():
            into.short.append(rows[~received])
            rows = rows[received]
        if not len(rows):
            return
        raw = self.place.integers(self.place.bits(words, rows))
        kind = self.bounds.searchsorted(raw, side="right")
        declared = self.declared[kind]
        if not declared.all():
            into.undeclared.append(rows[~declared])
        sizes = self.sizes[kind]
        total = int(sizes.sum())
        if total:
            position = np.arange(total) + np.repeat(self.starts[kind] - sizes.cumsum() + sizes, sizes)
            slots = self.selected[position]
            order = slots.argsort(kind="stable")
            counts = np.bincount(slots)
            present = np.flatnonzero(counts)
            into.slots.append(present + self.first)
            into.counts.append(counts[present])
            into.rows.append(np.repeat(rows, sizes)[order])
        for when, multiplexer in self.further:
            chosen = when[kind]
            if chosen.any():
                multiplexer.select(words, length, rows[chosen], into)


def plan(signals: Sequence[Signal], wanted: Sequence[Signal], first: int) -> tuple[list[Multiplexer], list[int]]:
    """The multiplexers to ask for the multiplexed signals `wanted` of a layout of `signals`.

    Returns the multiplexers that are always present, and the order (indices into `wanted`) in which they number their
    slots from `first` on.

    Raises:
        ValueError: a signal names a multiplexer that the layout lacks, or that is selected by itself.
    """
    by_name = {signal.name: signal for signal in signals}
    needed: dict[str, None] = {}
    for signal in wanted:
        passed = {signal.name}
        above = signal.multiplexer
        while above is not None:
            if above in passed or above not in by_name:
                raise ValueError(f"signal {signal.name} is selected by {above}, which is not above it in its message")
            passed.add(above)
            needed[above] = None
            above = by_name[above].multiplexer
    order: list[int] = []

    def build(name: str) -> Multiplexer:
        own = [i for i, signal in enumerate(wanted) if signal.multiplexer == name]
        start = first + len(order)
        order.extend(own)
        signal = by_name[name]
        ranges = [each for other in signals if other.multiplexer == name for each in other.multiplexer_values]
        ranges += [(value, value) for value in signal.value_table]
        edges = {low for low, _ in ranges} | {high + 1 for _, high in ranges}
        bounds = np.array(sorted(edge for edge in edges if abs(edge) <= LARGEST), np.int64)
        selected = [np.flatnonzero(_classes(bounds, wanted[i].multiplexer_values)) for i in own]
        kind = np.concatenate(selected) if own else np.empty(0, np.intp)
        slot = np.repeat(np.arange(len(own)), [len(each) for each in selected])
        sizes = np.bincount(kind, minlength=len(bounds) + 1)
        below = [
            (_classes(bounds, by_name[child].multiplexer_values), build(child))
            for child in needed
            if by_name[child].multiplexer == name
        ]
        return Multiplexer(
            Field.of(signal),
            start,
            bounds,
            sizes.cumsum() - sizes,
            sizes,
            slot[kind.argsort(kind="stable")].astype(np.min_scalar_type(len(own))),  # short numbers sort faster
            _classes(bounds, ranges),
            tuple(below),
        )

    return [build(name) for name in needed if by_name[name].multiplexer is None], order


def _classes(bounds: NDArray[np.int64], ranges: Sequence[tuple[int, int]]) -> NDArray[np.bool_]:
    """bool (classes,): which classes lie in one of the inclusive `ranges`, whose ends are all among the bounds."""
    result = np.zeros(len(bounds) + 1, np.bool_)
    for low, high in ranges:
        first, last = np.searchsorted(bounds, (max(low, -LARGEST), min(high, LARGEST)), side="right")
        result[first : last + 1] = True
    return result
