"""The one path from frames to events.

Push batches of frames or samples in, in order of arrival; get events out. Live watching, replay and the
diagnosis of a thousand files are the same call with batches of different sizes. The pipeline is synchronous, does no
I/O and reads no clock; cutting the same rows into other batches changes no event and no digit.

Stages that look at every tick besides the alarms (the signature, for one) are handed in; they see each `TickBatch`
once, in order, computed channels included.
"""

from __future__ import annotations

from bisect import bisect_left
from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from livewatch.alarms import AlarmSystem
from livewatch.data.actions import Action
from livewatch.data.clock import Clock, ClockStep
from livewatch.data.events import (
    ClockMoved,
    Event,
    MarkerSet,
    NoteWritten,
    OdditiesCounted,
    RunEnded,
    RunStarted,
)
from livewatch.data.frames import FrameBatch
from livewatch.data.samples import Quality, Rows, rows_of
from livewatch.data.ticks import Held, Span, TickBatch
from livewatch.decode import Decoded, Decoder
from livewatch.decode.bus_traffic import NOT_IN_PROFILE, SENT_DATA
from livewatch.profile.diagnostic_port.answers import OTHER_SERVICE, WAITING
from livewatch.profile.formula.run import FormulaRun, Program
from livewatch.profile.model import Profile
from livewatch.run.grid import Grid

__all__ = ["SET_AHEAD", "Pipeline", "Stage"]

PIECE = 60_000_000_000
"""Data time, ns, at whose multiples the counts are looked at: they are told at the same moments for any cutting."""
MOST_ROWS = 32_768
"""Rows taken in at once at the most: what is made of them is to stay in the processor's own memory."""
MOST_CLOCK_EVENTS = 100
NOT_ODD = frozenset({NOT_IN_PROFILE, SENT_DATA, OTHER_SERVICE, WAITING})
"""Counted, but ordinary: other traffic on the bus, a tester at work."""
INVALID, OUT_OF_RANGE = int(Quality.INVALID), int(Quality.OUT_OF_RANGE)
SET_AHEAD = "times the source's clock was set ahead"
"""Counted by a row of silence, it says that the next row's stamp is ahead by no time that passed."""
LATE = "rows stamped earlier than one before them"
UNDEFINED = "ticks at which a formula had no value"


class Stage(Protocol):
    """Something that looks at every tick. Its events carry the time of a tick in the batch they were found in."""

    def observe(self, ticks: TickBatch, told: Sequence[Event]) -> Sequence[Event]:
        """Look at the next ticks, and at what the alarms and the car said during them."""

    def finish(self) -> Sequence[Event]:
        """The run is over; events carry the time of the last tick."""


class Pipeline:
    """Decodes, holds, computes, watches.

    Args:
        profile: what to decode and watch.
        stages: looked through in order after the alarms.

    `counts` holds everything odd so far by plain-worded kind; sources add theirs through `count`. A `patient` one, of
    which nobody waits for the latest events, makes ticks by whole blocks: `finish` makes the rest.
    """

    def __init__(self, profile: Profile, stages: Sequence[Stage] = ()) -> None:
        self.profile = profile
        self.counts: dict[str, int] = {}
        self.rows = 0
        self.received: NDArray[np.int64] = np.zeros(len(profile.channels), np.int64)
        """Samples of each channel so far."""
        self.patient = False
        self._stages = tuple(stages)
        self._decoder = Decoder(profile)
        self._clock = Clock()
        self._grid = Grid(profile)
        self._program = Program(profile.index, profile.period)
        self._computed: list[tuple[int, FormulaRun]] = [
            (row, self._program.start(channel.formula.plan))
            for row, channel in enumerate(profile.channels)
            if channel.formula is not None
        ]
        self.alarms = AlarmSystem(profile, self._program)
        self._program.complete()
        self.alarms.expect_frames(False)
        self._frames = False
        self._started = False
        self._finished = False
        self._utc = 0
        self._told: dict[str, int] = {}
        self._next_tell = PIECE
        self._untold: deque[tuple[int, dict[str, int]]] = deque()
        """The counts at the end of each whole minute whose ticks are not made yet, with its data time."""
        self._undefined = 0
        self._clock_events = 0
        self._said: deque[tuple[int, Event]] = deque()
        """What the car said of itself, with its data time; told with the first tick at or after it."""

    @property
    def decoder(self) -> Decoder:
        """For the screen: which identifiers were not decoded, and how often."""
        return self._decoder

    @property
    def time(self) -> int:
        """Data time of the latest tick, ns; 0 before the first."""
        return max(0, self._grid.next - 1) * self._grid.period

    @property
    def newest(self) -> int | None:
        """The source's clock where data time has got to, ns since the Unix epoch; None before the first row."""
        return self._clock.latest_utc if self._started else None

    @property
    def utc(self) -> int:
        """The recording's own clock at the latest tick, ns since the Unix epoch."""
        return self._utc

    @property
    def unused_frames(self) -> int:
        """How many frames so far there was something wrong with."""
        return self._decoder.unused

    def decoded(self, batch: Rows) -> Iterator[Rows | Decoded]:
        """The next rows, cut and decoded, to be pushed in this order: for whoever reads ahead in another thread. All
        rows have to come this way, or none."""
        for start in range(0, len(batch), MOST_ROWS):
            piece = rows_of(batch, start, min(start + MOST_ROWS, len(batch)))
            yield self._decoder.decoded(piece) if isinstance(piece, FrameBatch) else piece

    def push(self, batch: Rows | Decoded) -> list[Event]:
        """Take the next rows, in order of arrival. A batch of no rows does nothing."""
        events: list[Event] = []
        if not len(batch):
            return events
        if not self._started:
            self._begin(events, int(batch.time[0]))
        data_time, late, clock_steps = self._clock.push(batch.time)
        steps = {step.row: step for step in clock_steps}
        start = 0
        for stop in _cuts(len(batch), clock_steps):
            if start in steps:
                self._tell_step(events, steps[start])
            piece = batch.part(start, stop) if isinstance(batch, Decoded) else rows_of(batch, start, stop)
            self._take(events, piece, data_time[start:stop], late[start:stop])
            start = stop
        # Ticks are made in as long a run as can be: the cost of a run hardly grows with its length.
        self._run(events, self._grid.whole_until(int(data_time[-1])) if self.patient else int(data_time[-1]))
        return events

    def _take(
        self, events: list[Event], piece: Rows | Decoded, data_time: NDArray[np.int64], late: NDArray[np.bool_]
    ) -> None:
        """Take rows between which the source's clock did not move; which were `late`."""
        first = int(data_time[0])
        self._pass(first)
        self._watch(events, self._grid.whole_until(first))
        decoded = self._decoder.decoded(piece) if isinstance(piece, FrameBatch) else piece
        samples = decoded.samples if isinstance(decoded, Decoded) else decoded
        if isinstance(decoded, Decoded):
            self.alarms.other_frames.hear(data_time, decoded.frames, decoded.codes)
        if (samples is not decoded or samples.silence) and not self._frames:
            self._run(events, first)
            self._frames = True
            self.alarms.expect_frames(True)
        start = 0
        for stop in _minutes(data_time):
            self._pass(int(data_time[start]))
            self.count(samples.counts_in(start, stop))
            if not start and samples.silence and samples.counts:
                # Something was lost: told now, not at the next whole minute.
                self._run(events, first)
                self._tell_counts(events, self.time, self.counts)
            self.count({LATE: int(np.count_nonzero(late[start:stop]))})
            start = stop
        if samples.silence and SET_AHEAD in samples.counts:
            self._clock.expect_step()
        self._grid.add(samples.columns, data_time)
        for column in samples.columns:
            self.received[column.channel] += len(column.row)
        self._said.extend((int(data_time[row]), event) for row, event in samples.told)
        self.rows += 0 if samples.silence else len(piece)

    def advance(self, utc: int) -> list[Event]:
        """Let time pass without rows (a silent bus), up to `utc` on the source's clock, ns."""
        events: list[Event] = []
        if self._started:
            for step in self._clock.advance(utc):
                self._tell_step(events, step)
            self._run(events, self._clock.latest)
        return events

    def apply(self, action: Action) -> list[Event]:
        """What a person did, at the latest tick.

        Raises:
            ActionError: the alarm is unknown, or the action makes no sense in its state; nothing changed.
        """
        if action.kind in ("marker", "note"):
            at = self.time if action.at is None else action.at
            kind = MarkerSet if action.kind == "marker" else NoteWritten
            return [kind(self.time, self._utc, "", action.text, round(at / 1e9, 6))]
        return list(self.alarms.apply(action, self.time, self._utc))

    def finish(self, utc: int | None = None) -> list[Event]:
        """End the run, at `utc` on the source's clock when it went on after the last row. Makes the last tick at or
        after the last row, tells all counts and closes the stages. Calling it again does nothing."""
        if self._finished or not self._started:
            return []
        self._finished = True
        events = [] if utc is None else self.advance(utc)
        period = self._grid.period
        self._run(events, -(-self._clock.latest // period) * period + 1)
        for stage in self._stages:
            events.extend(stage.finish())
        self._tell_counts(events, self.time, self.counts)
        counts = dict(sorted(self.counts.items()))
        events.append(RunEnded(self.time, self._utc, "", self.rows, self._grid.next, counts))
        return events

    def count(self, counts: dict[str, int]) -> None:
        """Add to `counts`."""
        for kind, number in counts.items():
            if number:
                self.counts[kind] = self.counts.get(kind, 0) + number

    def _begin(self, events: list[Event], utc: int) -> None:
        self._started = True
        self._utc = utc
        profile = self.profile
        channels, alarms = len(profile.channels), len(profile.alarms)
        events.append(RunStarted(0, utc, "", profile.name, channels, alarms, profile.period / 1e9))

    def _run(self, events: list[Event], until: int) -> None:
        """Make and watch every tick before data time `until`, telling the counts at each whole minute passed."""
        self._pass(until)
        self._watch(events, until)

    def _pass(self, until: int) -> None:
        """Remember the counts at the end of each whole minute up to data time `until`: told once its ticks are made."""
        while self._next_tell <= until:
            self._untold.append((self._next_tell, self.counts.copy()))
            self._next_tell += PIECE

    def _watch(self, events: list[Event], until: int) -> None:
        for ticks in self._grid.ticks(until, self._clock):
            self._compute(ticks)
            alarms = list(self.alarms.observe(ticks))
            undefined = self._program.end()
            said = self._said_by(ticks) if self._said else []
            found = list(alarms)
            for stage in self._stages:
                found.extend(stage.observe(ticks, [*alarms, *said]))
            found.extend(said)
            found.sort(key=_event_time)
            self._tell_minutes(events, found, ticks, undefined)
            self._utc = int(ticks.utc[-1])
            self._undefined += len(undefined)
        while self._untold and self._untold[0][0] <= until:
            self._tell_counts(events, *self._untold.popleft())

    def _tell_minutes(
        self, events: list[Event], found: list[Event], ticks: TickBatch, undefined: NDArray[np.int64]
    ) -> None:
        """Add what was found at `ticks` to the events, and the counts at the end of each minute among them. `undefined`
        are the ticks, ascending, at which a formula had no value."""
        start, last = 0, (ticks.first + len(ticks) - 1) * ticks.period
        while self._untold and self._untold[0][0] <= last:
            time, counts = self._untold.popleft()
            tick = -(-time // ticks.period)
            stop = bisect_left(found, time, start, key=_event_time)
            events.extend(found[start:stop])
            start = stop
            if tick > ticks.first:
                self._utc = int(ticks.utc[tick - ticks.first - 1])
            self._tell_counts(events, time, counts, int(np.searchsorted(undefined, tick)))
        events.extend(found[start:])

    def _said_by(self, ticks: TickBatch) -> list[Event]:
        """What the car said of itself up to the last of these ticks, each at the first tick at or after it."""
        events: list[Event] = []
        while self._said and self._said[0][0] <= (ticks.first + len(ticks) - 1) * ticks.period:
            time, event = self._said.popleft()
            tick = max(0, -(-time // ticks.period) - ticks.first)
            events.append(replace(event, time=(ticks.first + tick) * ticks.period, utc=int(ticks.utc[tick])))
        return events

    def _compute(self, ticks: TickBatch) -> None:
        """Fill the computed channels in, in the order of the profile, which puts inputs first."""
        self._program.begin(ticks.value, ticks.first, ticks.age)
        for row, known in ticks.spans.items():
            self._program.know(row, True, known)
        for row, formula in self._computed:
            with np.errstate(all="ignore"):
                found = formula.numbers(ticks.value, ticks.first)
            ticks.value[row] = result = found.values
            if not isinstance(ticks.held, Held):
                ticks.held[row] = result
            if not found.whole:
                ticks.quality[row, np.isnan(result)] = INVALID
            span, outside = _span(result, *self.profile.channels[row].valid)
            if outside is not None:
                if isinstance(ticks.held, Held):
                    ticks.held.keep(row)
                ticks.quality[row, outside] = OUT_OF_RANGE
                ticks.value[row, outside] = np.nan
            else:
                self._program.know(row, found.whole, span or found.span, found.logic)

    def _tell_step(self, events: list[Event], step: ClockStep) -> None:
        self._run(events, step.time)
        self.count({"steps of the source's clock": 1})
        self._clock_events += 1
        if self._clock_events <= MOST_CLOCK_EVENTS:
            what: Literal["went back", "jumped ahead"] = "went back" if step.step < 0 else "jumped ahead"
            events.append(ClockMoved(step.time, step.utc, "", what, round(step.step / 1e9, 6)))

    def _tell_counts(self, events: list[Event], time: int, counts: dict[str, int], further: int = 0) -> None:
        """Tell what is odd in `counts`, if that has changed. `further`: undefined ticks that are not summed up yet."""
        undefined = self._undefined + further
        if undefined:
            counts[UNDEFINED] = self.counts[UNDEFINED] = undefined
        odd = {kind: number for kind, number in sorted(counts.items()) if kind not in NOT_ODD}
        if odd != self._told:
            self._told = odd
            events.append(OdditiesCounted(time, self._utc, "", odd))


def _span(values: NDArray[np.float64], low: float, high: float) -> tuple[Span | None, NDArray[np.bool_] | None]:
    """The lowest and the highest of values that are all known, where a range is given for them, and where known ones
    are outside of it; None for nowhere."""
    if low == -np.inf and high == np.inf:
        return None, None
    span = float(values.min()), float(values.max())
    if span[0] >= low and span[1] <= high:
        return span, None
    outside: NDArray[np.bool_] = (values < low) | (values > high)
    return None, outside if outside.any() else None


def _event_time(event: Event) -> int:
    return event.time


def _cuts(rows: int, clock_steps: Sequence[ClockStep]) -> list[int]:
    """Ends of what is taken in at once: before each step of the clock, after MOST_ROWS, and the end."""
    return sorted({*range(MOST_ROWS, rows, MOST_ROWS), *(step.row for step in clock_steps if step.row), rows})


def _minutes(data_time: NDArray[np.int64]) -> list[int]:
    """Where data time passes a multiple of PIECE, and the end."""
    whole = np.arange(data_time[0] // PIECE + 1, data_time[-1] // PIECE + 1) * PIECE
    return sorted({*data_time.searchsorted(whole).tolist(), len(data_time)})
