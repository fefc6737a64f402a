"""Data time: one clock that only goes forward, from time stamps that may not.

Row times of frames and samples come in, in order of arrival, as the source stamped them (nanoseconds since the Unix
epoch); data time comes out, nanoseconds since the first row, never decreasing. Every decision depends on the rows
before it alone, so cutting the rows into other batches changes nothing.

- A row up to one second older than the newest before it is late: it takes the newest one's data time, and is counted.
- A row older than that means the source's clock was set back (or two recordings were joined): data time goes on from
  where it was, and the step is told.
- A row more than one hour after the newest before it means the clock was set forward, or nothing was recorded: data
  time goes on by one minute, long enough for every channel to be lost, and the step is told. Shorter gaps are silence
  and pass as they are, an hour of them in all: silence is judged tick by tick, and rows an hour apart each would take
  days. From then on a gap of more than ten seconds is a step as well, of one second of data time. A hundred steps are
  told; over further ones data time stands still, and their rows are late.
- A live run, which has a clock of its own beside the source's, says when that was set ahead: then no time passes.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from livewatch.data.late_numpy import np

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["FARTHEST", "Clock", "ClockStep", "nanoseconds_of"]

LATE_LIMIT = 1_000_000_000
GAP_LIMIT = 3_600_000_000_000
GAP_KEPT = 60_000_000_000
QUIET = 10_000_000_000
"""Gaps longer than this are silence."""
MOST_SILENCE = 3_600_000_000_000
"""Silence that passes as it is, in all."""
GAP_KEPT_AFTERWARDS = 1_000_000_000
MOST_STEPS = 100
"""Steps that are told. A clock that moves more often is none: data time stands still over further ones, and their rows
count as late."""
FARTHEST = 1 << 62
"""Nanoseconds from the Unix epoch to the farthest moment that is one."""

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def nanoseconds_of(moment: datetime) -> int:
    """Nanoseconds since the Unix epoch; a moment without a zone is UTC, so that it means the same everywhere.

    Raises:
        ValueError: it lies before 1824 or after 2116, where no recording is from and int64 ends after some sums.
    """
    passed = (moment if moment.tzinfo else moment.replace(tzinfo=UTC)) - _EPOCH
    nanoseconds = ((passed.days * 86_400 + passed.seconds) * 1_000_000 + passed.microseconds) * 1000
    if abs(nanoseconds) > FARTHEST:
        raise ValueError(f"{moment.isoformat()} is no moment of a recording")
    return nanoseconds


@dataclass(frozen=True, slots=True)
class ClockStep:
    """The source's clock moved. `row`: the first row after the step; `time`: data time just before, ns; `utc`: the
    source's time stamp after the step, ns; `step`: by how much it moved from the newest stamp before, ns, negative when
    it went back."""

    row: int
    time: int
    utc: int
    step: int


class Clock:
    """Holds the offset between the source's clock and data time.

    `latest` is the newest data time in ns, -1 before any row.
    """

    def __init__(self) -> None:
        self.latest = -1
        self._offset = 0
        self._segments: list[tuple[int, int]] = []
        self._silence = self._steps = 0
        self._expected = False

    @property
    def latest_utc(self) -> int:
        """The source's clock at `latest`, ns since the Unix epoch."""
        return self.latest + self._offset

    def expect_step(self) -> None:
        """The source's clock was set ahead: if the next row is ahead, no time passed, and the step is told."""
        self._expected = True

    def push(self, time: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.bool_], list[ClockStep]]:
        """Data time of rows stamped `time` (int64 (n,), ns); which rows were late (bool (n,)); and the steps of the
        source's clock met on the way."""
        rows = len(time)
        if rows and self.latest >= 0 and not self._expected:
            mapped = time - self._offset
            moved = np.diff(mapped, prepend=self.latest)
            if moved.min() >= 0 and moved.max() <= QUIET:  # nearly always
                self.latest = int(mapped[-1])
                return mapped, np.zeros(rows, np.bool_), []
        mapped = np.empty(rows, np.int64)
        late = np.empty(rows, np.bool_)
        steps: list[ClockStep] = []
        if rows and self.latest < 0:
            self._offset = int(time[0])
            self.latest = 0
            self._segments = [(0, self._offset)]
        untold: list[int] = []
        if self._expected and rows:
            self._expected = False
            ahead = int(time[0]) - self._offset - self.latest
            if ahead > 0 and self._steps < MOST_STEPS:
                steps.append(self._step(0, int(time[0]), ahead, 0))
        start, size = 0, rows
        while start < rows:
            stop = min(rows, start + size)
            shifted = time[start:stop] - self._offset
            newest = np.maximum.accumulate(np.concatenate(([self.latest], shifted)))
            moved = shifted - newest[:-1]
            odd = np.flatnonzero((moved > self._longest_gap(moved)) | (moved < -LATE_LIMIT))
            good = int(odd[0]) if len(odd) else stop - start
            mapped[start : start + good] = newest[1 : good + 1]
            late[start : start + good] = moved[:good] < 0
            self.latest = int(newest[good])
            self._silence += int(moved[:good][moved[:good] > QUIET].sum())
            start += good
            if len(odd):
                # Many steps close together must not cost a pass over all remaining rows each.
                size = 64
                step = self._step(start, int(time[start]), int(moved[good]))
                if self._steps <= MOST_STEPS:
                    steps.append(step)
                else:
                    untold.append(start)
            else:
                size *= 2
        late[untold] = True
        return mapped, late, steps

    def advance(self, utc: int) -> list[ClockStep]:
        """Let data time pass without a row, up to the source-clock time `utc` (ns); a time already passed does
        nothing."""
        if self.latest < 0 or utc - self._offset <= self.latest:
            return []
        return self.push(np.array([utc], np.int64))[2]

    def utc(self, data_time: NDArray[np.int64]) -> NDArray[np.int64]:
        """The source's clock at the given ascending data times, ns since the Unix epoch; forgets what lies before
        the last of them, so times must be asked for in order."""
        offsets = np.full(len(data_time), self._segments[0][1], np.int64)
        for since, offset in self._segments[1:]:
            offsets[data_time > since] = offset
        if len(data_time):
            while len(self._segments) > 1 and self._segments[1][0] < data_time[-1]:
                self._segments.pop(0)
        return data_time + offsets

    def _longest_gap(self, moved: NDArray[np.int64]) -> NDArray[np.int64] | int:
        """How long a gap may be at each row to pass as it is, ns."""
        if not (moved > QUIET).any():
            return QUIET
        silence = self._silence + np.where((moved > QUIET) & (moved <= GAP_LIMIT), moved, 0).cumsum()
        return np.where(silence > MOST_SILENCE, QUIET, GAP_LIMIT)

    def _step(self, row: int, utc: int, moved: int, kept: int | None = None) -> ClockStep:
        self._steps += 1
        if kept is None and moved > 0 and self._steps <= MOST_STEPS:
            room = self._silence + GAP_KEPT <= MOST_SILENCE
            kept = GAP_KEPT if moved > GAP_LIMIT and room else GAP_KEPT_AFTERWARDS
        step = ClockStep(row, self.latest, utc, moved)
        self._offset = utc - (self.latest + (kept or 0))
        self._segments.append((self.latest, self._offset))
        return step
