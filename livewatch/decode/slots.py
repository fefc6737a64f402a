"""Signals out of bytes, all at once.

A `SlotTable` is compiled once from layouts (messages or diagnostic parameters) and the signals wanted of each. Rows of
bytes come in, sorted by layout; flat columns come out: for every slot (a wanted signal) the rows it was received in,
its field bits and its physical values. The work is a fixed number of numpy calls over all (slot, row) pairs, however
many signals there are, plus one step for each slot present that is not a plain integer within one 64-bit word. Every
value depends on its own row only, so cutting the rows differently changes no bit.

Physical values are raw * scale + offset in float64, but in exact integer arithmetic with one rounding at the end when
scale and offset are whole numbers: what cantools computes, bit for bit.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from livewatch.decode.field import Field
from livewatch.decode.multiplexer import Multiplexer, Selection, plan
from livewatch.profile.model import Signal

__all__ = ["Pairs", "SlotLayout", "SlotTable", "with_each"]

MANY = 300
"""Rows of a slot from which a call for each slot costs less than its number repeated for every row."""
EXACT = 1 << 53
"""Whole numbers up to here are exact in float64."""
NOTHING: NDArray[np.int64] = np.empty(0, np.int64)
FLOATS: dict[int, tuple[type[np.unsignedinteger], type[np.floating]]] = {
    16: (np.uint16, np.float16),
    32: (np.uint32, np.float32),
    64: (np.uint64, np.float64),
}


@dataclass(frozen=True, slots=True)
class SlotLayout:
    """One message or parameter: all its `signals` (multiplexers among them), and those `wanted`, each with repeats
    where several channels want it."""

    signals: tuple[Signal, ...]
    wanted: tuple[Signal, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Pairs:
    """What was received of which slot, flat, ordered by slot, then row.

    Attributes:
        slots: int64 (s,), the slots present, ascending.
        counts: int64 (s,), rows of each, at least 1.
        rows: int64 (sum of counts,).
        short: rows too short for a wanted signal they should carry, ascending, each once.
        undeclared: rows whose multiplexer has a value that no signal of the layout declares, ascending, each once.
    """

    slots: NDArray[np.int64]
    counts: NDArray[np.int64]
    rows: NDArray[np.int64]
    short: NDArray[np.int64]
    undeclared: NDArray[np.int64]

    def segments(self, which: NDArray[np.bool_]) -> Iterator[tuple[int, slice]]:
        """Slot and its part of the flat columns, for each slot present for which `which` (bool (all slots,)) holds."""
        chosen = np.flatnonzero(which[self.slots])
        if len(chosen):
            ends = self.counts.cumsum()
            for i in chosen.tolist():
                stop = int(ends[i])
                yield int(self.slots[i]), slice(stop - int(self.counts[i]), stop)


class SlotTable:
    """Compiled from layouts; slots are numbered by the layouts' plain signals first, then the multiplexed ones.

    `source` tells for each slot (number of its layout, index in that layout's `wanted`).
    """

    def __init__(self, layouts: Sequence[SlotLayout]) -> None:
        self.source: list[tuple[int, int]] = [
            (number, i)
            for number, layout in enumerate(layouts)
            for i, signal in enumerate(layout.wanted)
            if signal.multiplexer is None
        ]
        plain = len(self.source)
        self._multiplexers: list[Multiplexer] = []
        multiplexed: list[int] = []
        for number, layout in enumerate(layouts):
            selected = [i for i, signal in enumerate(layout.wanted) if signal.multiplexer is not None]
            if selected:
                wanted = [layout.wanted[i] for i in selected]
                multiplexers, order = plan(layout.signals, wanted, len(self.source))
                self._multiplexers += multiplexers
                multiplexed += [number] * len(multiplexers)
                self.source += [(number, selected[i]) for i in order]
        self._layout = np.array([number for number, _ in self.source], np.int64)
        self._plain_layout = self._layout[:plain]
        self._multiplexed_layout = np.array(multiplexed, np.int64)
        self.signals: list[Signal] = [layouts[number].wanted[i] for number, i in self.source]
        self.fields: list[Field] = [Field.of(signal) for signal in self.signals]
        for signal in self.signals:
            if signal.kind == "float" and signal.length not in FLOATS:
                raise ValueError(f"signal {signal.name}: a float has 16, 32 or 64 bits, not {signal.length}")
        self._compile()

    def __len__(self) -> int:
        return len(self.signals)

    def _compile(self) -> None:
        fields, signals = self.fields, self.signals
        self._need = np.array([each.need for each in fields], np.int64)
        self._word = np.array([each.word for each in fields], np.int64)
        self._shift = np.array([each.shift for each in fields], np.uint64)
        self._mask = np.array([each.mask for each in fields], np.uint64)
        self._sign = np.array([each.sign for each in fields], np.uint64)
        self._big = np.array([each.big for each in fields], np.bool_)
        self._straddles = np.array([each.straddles for each in fields], np.bool_)
        linear = [_linear(signal) for signal in signals]
        self._scale = np.array([scale for scale, _ in linear], np.float64)
        self._offset = np.array([offset for _, offset in linear], np.float64)
        self._unusual = np.array([_is_unusual(signal) for signal in signals], np.bool_)
        self._curves = [None if each.curve is None else np.array(each.curve, np.float64) for each in signals]
        self._curved = np.array([curve is not None for curve in self._curves], np.bool_)
        self._codes = [_codes(signal, field) for signal, field in zip(signals, fields, strict=True)]
        may_be = [bool(each.invalid) or each.kind == "float" or each.curve is not None for each in signals]
        self._may_be_invalid = np.array(may_be, np.bool_)

    def locate(
        self,
        words: NDArray[np.uint64],
        length: NDArray[np.uint8] | NDArray[np.uint16],
        order: NDArray[np.int64],
        starts: NDArray[np.int64],
        counts: NDArray[np.int64],
    ) -> Pairs:
        """Which slots were received in which rows.

        Args:
            words: uint64 (n, w), the rows as little-endian words.
            length: (n,), bytes received in each row.
            order: int64, rows sorted by layout, ascending within each.
            starts, counts: int64 (layouts,), where the rows of each layout are in `order`.
        """
        plain_counts = counts[self._plain_layout]
        slots = np.flatnonzero(plain_counts)
        found = plain_counts[slots]
        begins = starts[self._plain_layout[slots]].tolist()
        parts = [order[start : start + count] for start, count in zip(begins, found.tolist(), strict=True)]
        rows = np.concatenate([*parts, NOTHING])
        selection = Selection()
        for i in np.flatnonzero(counts[self._multiplexed_layout]).tolist():
            layout = self._multiplexed_layout[i]
            part = order[starts[layout] : starts[layout] + counts[layout]]
            self._multiplexers[i].select(words, length, part, selection)
        if selection.slots:
            slots = np.concatenate([slots, *selection.slots])
            found = np.concatenate([found, *selection.counts])
            rows = np.concatenate([rows, *selection.rows])
        there = np.flatnonzero(counts)
        shortest = np.zeros(len(counts), length.dtype)
        if len(there):
            shortest[there] = np.minimum.reduceat(length[order], starts[there])
        if (shortest[self._layout[slots]] < self._need[slots]).any():
            received = length[rows] >= np.repeat(self._need[slots], found)
            selection.short.append(rows[~received])
            found = np.bincount(np.repeat(np.arange(len(slots)), found)[received], minlength=len(slots))
            rows = rows[received]
            slots, found = slots[found > 0], found[found > 0]
        return Pairs(slots, found, rows, _each_once(selection.short), _each_once(selection.undeclared))

    def bits(self, words: NDArray[np.uint64], pairs: Pairs) -> NDArray[np.uint64]:
        """The fields' bits, unsigned, uint64 (pairs,)."""
        slots, counts, rows = pairs.slots, pairs.counts, pairs.rows
        width = words.shape[1]
        result = words.ravel().take(rows if width == 1 else rows * width + np.repeat(self._word[slots], counts))
        big = self._big[slots]
        if big.all():
            result = result.byteswap()
        elif big.any():
            result = np.where(np.repeat(big, counts), result.byteswap(), result)
        with_each(np.right_shift, result, self._shift[slots], counts, result)
        with_each(np.bitwise_and, result, self._mask[slots], counts, result)
        for slot, part in pairs.segments(self._straddles):
            result[part] = self.fields[slot].bits(words, rows[part])
        return result

    def physical(self, bits: NDArray[np.uint64], pairs: Pairs) -> NDArray[np.float64]:
        """float64 (pairs,) in the signals' own units. Floats that are not numbers stay what they are."""
        slots, counts = pairs.slots, pairs.counts
        sign = self._sign[slots]
        if sign.any():
            signed = with_each(np.bitwise_xor, bits, sign, counts, np.empty_like(bits))
            integers = with_each(np.subtract, signed, sign, counts, signed).view(np.int64)
        else:
            integers = bits.view(np.int64)
        result = integers.astype(np.float64)
        for slot, part in pairs.segments(self._unusual):
            result[part] = _unusual(self.signals[slot], self.fields[slot], bits[part])
        with np.errstate(invalid="ignore", over="ignore"):  # floats may hold anything
            with_each(np.multiply, result, self._scale[slots], counts, result)
            with_each(np.add, result, self._offset[slots], counts, result)
        for slot, part in pairs.segments(self._curved):
            curve = self._curves[slot]
            assert curve is not None
            result[part] = np.interp(result[part], curve[0], curve[1])
        return result

    def invalid(self, bits: NDArray[np.uint64], value: NDArray[np.float64], pairs: Pairs) -> NDArray[np.bool_] | None:
        """bool (pairs,): one of the signal's codes for "no valid value", or `value`, made from a float or by a curve,
        is no finite number. None when no signal present can be invalid."""
        result: NDArray[np.bool_] | None = None
        for slot, part in pairs.segments(self._may_be_invalid):
            if result is None:
                result = np.zeros(len(bits), np.bool_)
            signal = self.signals[slot]
            bad = ~np.isfinite(value[part])
            if signal.kind == "float":
                raw = _floats(signal, bits[part])
                for code in signal.invalid:
                    bad |= raw == code
            else:
                for pattern in self._codes[slot]:
                    bad |= bits[part] == pattern
            result[part] = bad
        return result


def with_each(
    call: np.ufunc, given: NDArray[Any], numbers: NDArray[Any], counts: NDArray[np.int64], out: NDArray[Any]
) -> NDArray[Any]:
    """`call` of the rows of each slot in `given` and its number, into `out`, which may be `given`."""
    if len(given) < MANY * len(counts):
        call(given, np.repeat(numbers, counts), out=out)
        return out
    stop = 0
    for number, count in zip(numbers, counts.tolist(), strict=True):
        start, stop = stop, stop + count
        call(given[start:stop], number, out=out[start:stop])
    return out


def _each_once(parts: list[NDArray[np.int64]]) -> NDArray[np.int64]:
    return np.unique(np.concatenate(parts)) if parts else NOTHING


def _is_whole(signal: Signal) -> bool:
    """Whether the physical value is a whole number by construction."""
    return signal.kind != "float" and float(signal.scale).is_integer() and float(signal.offset).is_integer()


def _is_identity(signal: Signal) -> bool:
    return signal.scale == 1 and signal.offset == 0


def _is_exact(signal: Signal) -> bool:
    """Whether float64 arithmetic on the way could round a whole number that must be rounded once, at the end."""
    largest = abs(signal.scale) * 2.0**signal.length + abs(signal.offset)
    return _is_whole(signal) and not _is_identity(signal) and EXACT < largest < 1e300


def _is_unusual(signal: Signal) -> bool:
    return signal.kind == "float" or (signal.kind == "unsigned" and signal.length == 64) or _is_exact(signal)


def _linear(signal: Signal) -> tuple[float, float]:
    """Scale and offset to apply in float64. Adding -0.0 changes no number, adding 0.0 makes 0.0 of -0.0: a float keeps
    its sign, a whole number has none at zero."""
    if _is_identity(signal) or _is_exact(signal):
        return 1.0, -0.0
    offset = float(signal.offset)
    return float(signal.scale), offset + 0.0 if _is_whole(signal) else offset


def _floats(signal: Signal, bits: NDArray[np.uint64]) -> NDArray[np.float64]:
    unsigned, floating = FLOATS[signal.length]
    with np.errstate(invalid="ignore"):  # a signalling NaN is a NaN
        return bits.astype(unsigned).view(floating).astype(np.float64)


def _unusual(signal: Signal, place: Field, bits: NDArray[np.uint64]) -> NDArray[np.float64]:
    """What is to be scaled, for a signal that is not an integer below 64 bits."""
    if signal.kind == "float":
        return _floats(signal, bits)
    raw = bits if signal.kind == "unsigned" else place.integers(bits)
    if _is_exact(signal):
        scale, offset = int(signal.scale), int(signal.offset)
        return np.array([float(value * scale + offset) for value in raw.tolist()], np.float64)
    return raw.astype(np.float64)


def _codes(signal: Signal, place: Field) -> tuple[np.uint64, ...]:
    """The bits of an integer signal's codes for "no valid value". Codes may be written signed or unsigned: -1 and 255
    are the same eight bits. A code that does not fit in the field matches nothing."""
    fitting = (code for code in signal.invalid if -(place.mask // 2) - 1 <= code <= place.mask)
    return tuple(np.uint64(code & place.mask) for code in fitting)
