"""A stretch of a recording with its channels and its alarms, to be handed on.

A source that was opened comes in; a `CutOut` goes out: the channels at the ticks of the run, and the alarms that stood.
The recording is run from its beginning, so that both are what they were in the whole. Channels that tell who or where
are left out unless they are asked for (`data.private`).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from livewatch.alarms.spells import AlarmSpell, SpellBook
from livewatch.data.events import Event
from livewatch.data.private import is_private
from livewatch.data.ticks import TickBatch
from livewatch.diagnosis.channel_table import ChannelTable
from livewatch.errors import SourceError, UsageError, nearest
from livewatch.profile.model import Profile
from livewatch.run.opening import Source
from livewatch.run.pipeline import Pipeline

__all__ = ["CutOut", "Window", "cut_out", "window_around"]

MOST_BYTES = 1_500_000_000
"""Of numbers held at once."""


@dataclass(frozen=True, slots=True)
class Window:
    """Data time wanted, ns, both ends inclusive; `stop` None for the end."""

    start: int = 0
    stop: int | None = None


@dataclass(frozen=True, slots=True, eq=False)
class CutOut:
    """Attributes:
    table: the channels; its `time` is data time of the whole recording.
    spells: the alarms that stood in the window, in the order they were raised.
    profile: by what it was decoded and judged.
    private: channels left out because they tell who or where.
    """

    table: ChannelTable
    spells: tuple[AlarmSpell, ...]
    profile: Profile
    private: tuple[str, ...]

    def stood(self, alarm: str) -> NDArray[np.bool_]:
        """At which rows of the table an alarm stood."""
        standing = np.zeros(len(self.table.time), np.bool_)
        for spell in self.spells:
            if spell.alarm == alarm:
                end = np.inf if spell.end is None else spell.end
                standing |= (self.table.time >= spell.start - 1e-9) & (self.table.time < end - 1e-9)
        return standing

    @property
    def alarms(self) -> tuple[str, ...]:
        """Names of the alarms that stood, each once."""
        return tuple(dict.fromkeys(spell.alarm for spell in self.spells))


class _Gathered:
    """A stage of the pipeline that keeps every so-many-th tick of the window."""

    def __init__(self, rows: Sequence[int], step: int, window: Window) -> None:
        self._rows, self._step, self._window = list(rows), step, window
        self.values = [np.empty((len(self._rows), 0))]
        self.times = [np.empty(0, np.int64)]
        self.clocks = [np.empty(0, np.int64)]
        self._bytes = 0

    def observe(self, ticks: TickBatch, alarms: Sequence[Event] = ()) -> Sequence[Event]:
        number = np.arange(ticks.first, ticks.first + len(ticks.time))
        wanted = (number % self._step == 0) & (ticks.time >= self._window.start)
        if self._window.stop is not None:
            wanted &= ticks.time <= self._window.stop
        if wanted.any():
            self.values.append(ticks.value[self._rows][:, wanted])
            self.times.append(ticks.time[wanted])
            self.clocks.append(ticks.utc[wanted])
            self._bytes += self.values[-1].nbytes
            if self._bytes > MOST_BYTES:
                raise UsageError(
                    f"this is more than {MOST_BYTES / 1e9:g} GB of numbers; expected a shorter stretch (--from, --to), "
                    "fewer channels (--channel) or rows further apart (--every 0.1s)"
                )
        return ()

    def finish(self) -> Sequence[Event]:
        return ()


def cut_out(
    source: Source,
    profile: Profile,
    window: Window,
    names: Sequence[str] = (),
    every: float | None = None,
    private: bool = False,
    progress: Callable[[float], None] | None = None,
) -> CutOut:
    """Read `source` up to the end of the window.

    Args:
        names: the channels wanted; all when empty. One that is named is asked for.
        every: s of data time between rows, rounded to whole ticks; every tick when None.
        private: whether those that tell who or where are wanted too.
        progress: told the share of the source read, 0..1.

    Raises:
        UsageError: the profile has no such channel, or it is more than fits into memory.
        SourceError: nothing can be read, or the window lies behind the end.
    """
    index = profile.index
    for name in names:
        if name not in index:
            raise UsageError(f"the profile has no channel {name!r}{nearest(name, index)}")
    left_out = tuple(name for name in index if not names and not private and is_private(name))
    units = {one.name: one.unit for one in profile.channels if (one.name in names if names else True)}
    units = {name: unit for name, unit in units.items() if name not in left_out}
    step = 1 if every is None else max(1, round(every * 1e9 / profile.period))
    gathered = _Gathered([index[name] for name in units], step, window)
    spells = _run(source, Pipeline(profile, [gathered]), window, progress)
    time = np.concatenate(gathered.times)
    if not len(time):
        ends = f"it ends before {window.start / 1e9:g} s; expected an earlier stretch"
        raise SourceError(f"{source.name}: {ends if window.start > 0 else 'it is empty: nothing was recorded'}")
    last = float(time[-1]) / 1e9
    table = ChannelTable(
        time / 1e9,
        np.concatenate(gathered.clocks).astype("datetime64[ns]"),
        dict(zip(units, np.concatenate(gathered.values, axis=1), strict=True)),
        units,
    )
    inside = [one for one in spells if one.start <= last and (one.end is None or one.end > window.start / 1e9)]
    return CutOut(table, tuple(inside), profile, left_out)


def window_around(
    source: Source, profile: Profile, alarm: str, which: int, before: float, after: float
) -> tuple[Window, AlarmSpell]:
    """The window from `before` s before an alarm was raised for the `which`-th time to `after` s after it was gone.

    Raises:
        UsageError: there is no such alarm, or it was not raised that often.
        SourceError: nothing can be read.
    """
    spells = _run(source, Pipeline(profile), Window(), None)
    found = [spell for spell in spells if spell.alarm == alarm]
    if len(found) < which:
        raised = dict.fromkeys(spell.alarm for spell in spells)
        if not found:
            known = f"those that were: {', '.join(raised)}" if raised else "none was"
            raise UsageError(f"--around {alarm}: it was not raised{nearest(alarm, raised)}; {known}")
        raise UsageError(f"--around {alarm}: it was raised {len(found)} times; expected --which 1 to {len(found)}")
    spell = found[which - 1]
    stop = None if spell.end is None else round((spell.end + after) * 1e9)
    return Window(max(0, round((spell.start - before) * 1e9)), stop), spell


def _run(
    source: Source, pipeline: Pipeline, window: Window, progress: Callable[[float], None] | None
) -> list[AlarmSpell]:
    book = SpellBook()
    for batch in source.batches():
        book.observe(pipeline.push(batch))
        if progress is not None:
            progress(source.progress)
        if window.stop is not None and pipeline.time > window.stop:
            return book.spells
    book.observe(pipeline.finish(source.end))
    return book.spells
