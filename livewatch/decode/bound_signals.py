"""From received signals to samples of channels.

`BoundSignals` are compiled from layouts and the channels bound to their signals. Rows of bytes come in, sorted by
layout; one `SampleColumn` a channel comes out, in the channel's unit, with its quality: INVALID (value NaN) for the
signal's own codes and for floats that are no number, OUT_OF_RANGE outside the channel's valid range.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from livewatch.data.samples import Quality, SampleColumn
from livewatch.decode.slots import Pairs, SlotLayout, SlotTable, with_each
from livewatch.profile.model import Channel, Signal

__all__ = ["BoundSignals"]

GOOD, OUT_OF_RANGE, INVALID = (np.uint8(each) for each in (Quality.GOOD, Quality.OUT_OF_RANGE, Quality.INVALID))


class BoundSignals:
    """Compiled from (all signals of a layout, [(signal, index of the channel, the channel), ...]) per layout."""

    def __init__(self, layouts: Sequence[tuple[tuple[Signal, ...], Sequence[tuple[Signal, int, Channel]]]]) -> None:
        self.table = SlotTable(
            [SlotLayout(signals, tuple(bound[0] for bound in wanted)) for signals, wanted in layouts]
        )
        chosen = [layouts[layout][1][i] for layout, i in self.table.source]
        channels = [channel for _, _, channel in chosen]
        self._target = [index for _, index, _ in chosen]
        self._plain = [
            layout if signal.multiplexer is None else None
            for (layout, _), signal in zip(self.table.source, self.table.signals, strict=True)
        ]
        self._scale = np.array([channel.scale for channel in channels], np.float64)
        # adding -0.0 changes no number, adding 0.0 makes 0.0 of -0.0
        self._offset = np.array([channel.offset or -0.0 for channel in channels], np.float64)
        self._low = np.array([channel.valid[0] for channel in channels], np.float64)
        self._high = np.array([channel.valid[1] for channel in channels], np.float64)
        self._converts = (self._scale != 1.0) | (self._offset != 0.0)
        self._limited = (self._low != -np.inf) | (self._high != np.inf)

    def __len__(self) -> int:
        return len(self.table)

    def columns(
        self,
        words: NDArray[np.uint64],
        length: NDArray[np.uint8] | NDArray[np.uint16],
        order: NDArray[np.int64],
        starts: NDArray[np.int64],
        counts: NDArray[np.int64],
        row: NDArray[np.int64] | None = None,
    ) -> tuple[list[SampleColumn], Pairs]:
        """Samples of the rows; arguments as for `SlotTable.locate`. `row` gives the batch row of each row of `words`
        where the two differ."""
        pairs = self.table.locate(words, length, order, starts, counts)
        if not len(pairs.slots):
            return [], pairs
        bits = self.table.bits(words, pairs)
        value = self.table.physical(bits, pairs)
        if self._converts[pairs.slots].any():
            with np.errstate(invalid="ignore", over="ignore"):  # floats may hold anything
                with_each(np.multiply, value, self._scale[pairs.slots], pairs.counts, value)
                with_each(np.add, value, self._offset[pairs.slots], pairs.counts, value)
        quality = self._quality(value, bits, pairs)
        rows = pairs.rows if row is None else row[pairs.rows]
        columns: list[SampleColumn] = []
        # Signals of one message that came in equally many rows came in the same ones: a longer row holds what a
        # shorter one does. Their columns share them, so that what follows from them is found once.
        known: dict[tuple[int, int], NDArray[np.int64]] = {}
        start = 0
        for slot, count in zip(pairs.slots.tolist(), pairs.counts.tolist(), strict=True):
            stop = start + count
            own = rows[start:stop]
            if (layout := self._plain[slot]) is not None:
                own = known.setdefault((layout, count), own)
            columns.append(SampleColumn(self._target[slot], own, value[start:stop], quality[start:stop]))
            start = stop
        return columns, pairs

    def _quality(self, value: NDArray[np.float64], bits: NDArray[np.uint64], pairs: Pairs) -> NDArray[np.uint8]:
        """uint8 (pairs,); makes invalid values NaN."""
        slots, counts = pairs.slots, pairs.counts
        if self._limited[slots].any():
            outside = with_each(np.less, value, self._low[slots], counts, np.empty(len(value), np.bool_))
            outside |= with_each(np.greater, value, self._high[slots], counts, np.empty(len(value), np.bool_))
            quality = outside.view(np.uint8) * OUT_OF_RANGE
        else:
            quality = np.zeros(len(value), np.uint8)
        invalid = self.table.invalid(bits, value, pairs)
        if invalid is not None:
            quality[invalid] = INVALID
            value[invalid] = np.nan
        return quality
