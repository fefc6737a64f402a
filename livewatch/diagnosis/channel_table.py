"""The channels of a recording as columns, for a notebook or a script.

A source that was opened comes in; every channel of the profile comes out at the ticks of the run: the values that the
alarms and the signature judge, NaN wherever there was none to judge.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from livewatch.data.events import Event
from livewatch.data.ticks import TickBatch
from livewatch.errors import UsageError, nearest
from livewatch.profile.model import Profile
from livewatch.run.opening import Source
from livewatch.run.pipeline import Pipeline

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["ChannelTable", "read_channels"]


class ChannelTable(Mapping[str, NDArray[np.float64]]):
    """Channels by name, each float64 (n,) in the unit that `units` gives, NaN where it was not good.

    Attributes:
        time: float64 (n,), data time, s since the first row of the recording.
        utc: datetime64[ns] (n,), the recording's own clock.
        units: channel name to unit.
    """

    def __init__(
        self,
        time: NDArray[np.float64],
        utc: NDArray[np.datetime64],
        columns: Mapping[str, NDArray[np.float64]],
        units: Mapping[str, str],
    ) -> None:
        self.time = time
        self.utc = utc
        self.units = units
        self._columns = columns

    def __getitem__(self, name: str) -> NDArray[np.float64]:
        return self._columns[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._columns)

    def __len__(self) -> int:
        return len(self._columns)

    def __repr__(self) -> str:
        return f"<ChannelTable of {len(self)} channels over {len(self.time)} ticks>"

    def to_pandas(self) -> pd.DataFrame:
        """The same as a frame: a column a channel, data time in s as the index, units in `attrs["units"]`.

        Raises:
            ModuleNotFoundError: pandas is not installed.
        """
        import pandas as pd

        frame = pd.DataFrame(dict(self._columns), index=pd.Index(self.time, name="time [s]"))
        frame.attrs["units"] = dict(self.units)
        return frame


class _Kept:
    """A stage of the pipeline that keeps the wanted rows of every so-many-th tick."""

    def __init__(self, rows: Sequence[int], step: int) -> None:
        self._rows, self._step = list(rows), step
        self.values = [np.empty((len(self._rows), 0))]
        self.times = [np.empty(0, np.int64)]
        self.clocks = [np.empty(0, np.int64)]

    def observe(self, ticks: TickBatch, alarms: Sequence[Event] = ()) -> Sequence[Event]:
        wanted = slice(-ticks.first % self._step, None, self._step)
        self.values.append(ticks.value[self._rows, wanted])
        self.times.append(ticks.time[wanted])
        self.clocks.append(ticks.utc[wanted])
        return ()

    def finish(self) -> Sequence[Event]:
        return ()


def read_channels(source: Source, profile: Profile, names: Collection[str], every: float | None) -> ChannelTable:
    """Read all of `source`.

    Args:
        names: the channels wanted; all when empty.
        every: s of data time between rows, rounded to whole ticks; every tick when None.

    Raises:
        UsageError: the profile has no such channel.
        SourceError: nothing can be read.
    """
    index = profile.index
    for name in names:
        if name not in index:
            raise UsageError(f"the profile has no channel {name!r}{nearest(name, index)}")
    units = {channel.name: channel.unit for channel in profile.channels if not names or channel.name in names}
    step = 1 if every is None else max(1, round(every * 1e9 / profile.period))
    kept = _Kept([index[name] for name in units], step)
    pipeline = Pipeline(profile, [kept])
    for batch in source.batches():
        pipeline.push(batch)
    pipeline.finish(source.end)
    values = np.concatenate(kept.values, axis=1)
    return ChannelTable(
        np.concatenate(kept.times) / 1e9,
        np.concatenate(kept.clocks).astype("datetime64[ns]"),
        dict(zip(units, values, strict=True)),
        units,
    )
