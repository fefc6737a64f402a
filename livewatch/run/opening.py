"""Anything a run can be read from, opened by path: a recording, a table of channels, or a session folder.

What comes out is always a `Source`: batches in order of arrival, bus names those of the profile, cut to the wanted
stretch of time.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from livewatch.data.events import parse_utc
from livewatch.data.frames import FrameBatch
from livewatch.data.late_numpy import np
from livewatch.data.samples import Rows, rows_of
from livewatch.errors import UsageError
from livewatch.profile.load import load_profile
from livewatch.profile.model import Profile
from livewatch.sources.bus_map import BusMap
from livewatch.sources.recordings.recording import open_recording
from livewatch.sources.tables.table import is_table, open_table

__all__ = ["Source", "Stretch", "open_source", "profile_for"]


@dataclass(frozen=True, slots=True)
class Stretch:
    """The part of a source that is wanted: nanoseconds after its first row, `stop` None for the end."""

    start: int = 0
    stop: int | None = None


class _Rows(Protocol):
    """What every kind of source offers."""

    @property
    def counts(self) -> dict[str, int]: ...

    @property
    def progress(self) -> float: ...

    def batches(self, size: int = ...) -> Iterator[Rows]: ...


class Source:
    """Batches of one opened source.

    `name` is what people call it, `kind` what it is in a word or two. `end` is the source's clock (ns since the Unix
    epoch) when its run ended, where that is known and may lie after its last row: a run goes on while a bus is silent.
    """

    def __init__(
        self, name: str, kind: str, rows: _Rows, bus_map: BusMap, stretch: Stretch, end: int | None = None
    ) -> None:
        self.name = name
        self.kind = kind
        self.end = end if stretch.stop is None else None
        self.unused: tuple[str, ...] = ()
        """Columns of a table that are no channel of the profile."""
        self._rows = rows
        self._bus_map = bus_map
        self._stretch = stretch

    @property
    def counts(self) -> dict[str, int]:
        """What was odd so far, by plain-worded kind."""
        return self._rows.counts

    @property
    def progress(self) -> float:
        """How much has been read, 0..1."""
        return self._rows.progress

    @property
    def unknown_buses(self) -> tuple[str, ...]:
        """Channels met that are no bus of the profile."""
        return tuple(sorted(self._bus_map.unknown))

    def batches(self, size: int = 65536) -> Iterator[Rows]:
        """The wanted rows in order of arrival, about `size` at a time."""
        begin: int | None = None
        started = self._stretch.start == 0
        for batch in self._rows.batches(size):
            if not len(batch):
                continue
            begin = int(batch.time[0]) if begin is None else begin
            first, last = 0, len(batch)
            if not started:
                reached = np.flatnonzero(batch.time >= begin + self._stretch.start)
                if not len(reached):
                    continue
                first, started = int(reached[0]), True
            ended = False
            if self._stretch.stop is not None:
                past = np.flatnonzero(batch.time[first:] > begin + self._stretch.stop)
                if len(past):
                    last, ended = first + int(past[0]), True
            if last > first:
                if isinstance(batch, FrameBatch):
                    yield self._bus_map.rename(rows_of(batch, first, last))
                else:
                    yield rows_of(batch, first, last)
            if ended:
                return


def profile_for(path: Path | None, given: Profile | Path | str | None) -> Profile:
    """The profile given, or the one that a session folder at `path` carries.

    Raises:
        UsageError: none is given and `path` is no session folder, or the name is unknown.
        MistakesError: the profile has mistakes.
    """
    if isinstance(given, Profile):
        return given
    if given is not None:
        return load_profile(given)
    if path is not None and path.is_dir():
        from livewatch.session.folder import Session

        return Session.open(path).profile()
    raise UsageError(
        "no profile given: expected --profile with a YAML file or the name of a profile that comes with livewatch "
        "(a recording holds frames, not what they mean)"
    )


def open_source(
    path: Path, profile: Profile, given_buses: Mapping[str, str] | None = None, stretch: Stretch | None = None
) -> Source:
    """Open what is at `path`.

    Raises:
        SourceError: nothing can be read from it; the message says why.
    """
    bus_map = BusMap(profile, given_buses or {})
    wanted = stretch or Stretch()
    if path.is_dir():
        from livewatch.session.folder import Session  # late: a recording or a table needs none

        folder = Session.open(path)
        end = folder.manifest.data_end
        until = None if end is None else parse_utc(end)
        return Source(str(path), "session folder", folder.rows(profile), bus_map, wanted, until)
    if path.is_file() and is_table(path):
        table = open_table(path, profile)
        source = Source(str(path), f"{table.format} table", table, bus_map, wanted)
        source.unused = tuple(table.unused)
        return source
    recording = open_recording(path)
    return Source(str(path), f"{recording.format} recording", recording, bus_map, wanted)
