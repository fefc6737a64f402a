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
    """One multiplexer signal.

    Attributes:
        place: where it is.
        slots: int64 (k,), the slots it selects directly, ascending.
        bounds: int64, ascending raw values at which the next class starts; class 0 lies below the first.
        selects: bool (k, classes), which slot is present in which class.
        declared: bool (classes,), whether any signal of the layout, wanted or not, or a word of the multiplexer's own
            value table belongs to the class.
        further: multiplexers selected by this one, each with bool (classes,) saying when.
    """

    place: Field
    slots: NDArray[np.int64]
    bounds: NDArray[np.int64]
    selects: NDArray[np.bool_]
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
        kind = np.searchsorted(self.bounds, raw, side="right")
        declared = self.declared[kind]
        if not declared.all():
            into.undeclared.append(rows[~declared])
        present = self.selects[:, kind]
        slot, which = np.nonzero(present)
        if len(slot):
            counts = np.bincount(slot, minlength=len(self.slots))
            some = np.flatnonzero(counts)
            into.slots.append(self.slots[some])
            into.counts.append(counts[some])
            into.rows.append(rows[which])
        for when, multiplexer in self.further:
            selected = when[kind]
            if selected.any():
                multiplexer.select(words, length, rows[selected], into)


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
        slots = np.arange(first + len(order), first + len(order) + len(own), dtype=np.int64)
        order.extend(own)
        signal = by_name[name]
        children = [other for other in signals if other.multiplexer == name]
        ranges = [each for child in children for each in child.multiplexer_values]
        ranges += [(value, value) for value in signal.value_table]
        edges = {low for low, _ in ranges} | {high + 1 for _, high in ranges}
        bounds = np.array(sorted(edge for edge in edges if -LARGEST <= edge <= LARGEST), np.int64)
        return Multiplexer(
            Field.of(signal),
            slots,
            bounds,
            np.array([_classes(bounds, wanted[i].multiplexer_values) for i in own], np.bool_).reshape(
                len(own), len(bounds) + 1
            ),
            _classes(bounds, ranges),
            tuple(
                (_classes(bounds, by_name[child].multiplexer_values), build(child))
                for child in needed
                if by_name[child].multiplexer == name
            ),
        )

    return [build(name) for name in needed if by_name[name].multiplexer is None], order


def _classes(bounds: NDArray[np.int64], ranges: Sequence[tuple[int, int]]) -> NDArray[np.bool_]:
    """bool (classes,): which classes lie in one of the inclusive `ranges`. A class is known by its lowest value."""
    lowest = [None, *bounds.tolist()]
    return np.array(
        [value is not None and any(low <= value <= high for low, high in ranges) for value in lowest], np.bool_
    )
