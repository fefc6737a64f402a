"""The rows of a recording with their data time, readable forwards and again from the start.

Batches of a source come in, in order; pieces come out by number, each with the data time of its rows. What was read is
kept up to a limit of memory; beyond it, going back reads the source anew. A piece is the same whenever it is asked for.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from livewatch.data.clock import Clock
from livewatch.data.samples import Rows
from livewatch.run.opening import Source
from livewatch.run.run import Run

__all__ = ["Piece", "RecordingRows", "pass_time"]

PIECE_ROWS = 16_384
MOST_KEPT = 256_000_000
"""Bytes of rows kept, about."""


@dataclass(frozen=True, slots=True, eq=False)
class Piece:
    """Some rows of the recording.

    Attributes:
        data_time: int64 (n,), ns.
        steps: rows at which the source's clock moved; time cannot pass smoothly towards them.
    """

    batch: Rows
    data_time: NDArray[np.int64]
    steps: frozenset[int]


class RecordingRows:
    """Args:
    open_source: opens the recording anew from its start.
    """

    def __init__(self, open_source: Callable[[], Source]) -> None:
        self._open = open_source
        self._kept: list[Piece] = []
        self._bytes = 0
        self._source: Source | None = None
        self._batches: Iterator[Rows] = iter(())
        self._clock = Clock()
        self._next = 0

    @property
    def counts(self) -> dict[str, int]:
        """What the source found odd in all that was read of it."""
        return {} if self._source is None else self._source.counts

    @property
    def end(self) -> int | None:
        """The source's clock when its run ended, ns; None where it ended with its last row."""
        return None if self._source is None else self._source.end

    def piece(self, number: int) -> Piece | None:
        """Piece `number` of the recording, None past its end.

        Raises:
            LivewatchError: the source cannot be read.
        """
        if number < len(self._kept):
            return self._kept[number]
        if self._source is None or number < self._next:
            self._rewind()
        piece = None
        while self._next <= number:
            piece = self._read()
            if piece is None:
                return None
        return piece

    def _rewind(self) -> None:
        self._source = self._open()
        self._batches = iter(self._source.batches(PIECE_ROWS))
        self._clock = Clock()
        self._next = 0

    def _read(self) -> Piece | None:
        batch = next((batch for batch in self._batches if len(batch)), None)
        if batch is None:
            return None
        data_time, _, steps = self._clock.push(batch.time)
        piece = Piece(batch, data_time, frozenset(step.row for step in steps))
        if self._next == len(self._kept) and self._bytes < MOST_KEPT:
            self._kept.append(piece)
            self._bytes += len(batch) * 40
        self._next += 1
        return piece


def pass_time(run: Run, piece: Piece, row: int, target: int) -> bool:
    """Let data time pass up to the tick at `target` (ns) before `row` of the piece, as far as that row leaves no doubt
    about it; whether any passed."""
    if row in piece.steps or run.pipeline.time >= target:
        return False
    ahead = int(piece.data_time[row])
    until = min(target + 1, ahead)
    if until <= run.pipeline.time + run.profile.period:
        return False
    run.advance(int(piece.batch.time[row]) - (ahead - until))
    return True
