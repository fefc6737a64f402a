"""MF4 files (ASAM MDF 4), opened by asammdf: what is in them, before anything is read.

A path comes in; the sizes of its groups, or its `Contents`, go out. `contents` looks in a process apart; everything
else here is for what runs there.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from importlib.util import find_spec
from pathlib import Path
from typing import Any, BinaryIO

from livewatch.data.clock import nanoseconds_of
from livewatch.errors import SourceError, said_by
from livewatch.sources.apart import Item, apart
from livewatch.sources.library_log import CountedLog

__all__ = ["Contents", "contents", "contents_inside", "group_sizes", "need_library", "opened"]

_BUS_EVENT = 0x2
"""Flag of a channel group whose records are frames of a bus (ASAM MDF 4, `cg_flags`)."""
_MASTERS = (2, 3)
"""Channel types that are a group's time (ASAM MDF 4, `cn_type`)."""


@dataclass(frozen=True, slots=True)
class Contents:
    """What an MF4 file holds.

    Attributes:
        holds_frames: whether a bus logger stored frames in it.
        start_time: ns since the Unix epoch.
        places, names, units: group and index, name and unit of every channel that is no time and no frame of a bus.
    """

    holds_frames: bool
    start_time: int
    places: tuple[tuple[int, int], ...]
    names: tuple[str, ...]
    units: tuple[str | None, ...]


def contents(path: Path) -> Contents:
    """What the MF4 file at `path` holds.

    Raises:
        SourceError: it cannot be read, or asammdf is not installed.
    """
    need_library(path)
    try:
        known = path.stat()
    except OSError as error:
        raise SourceError(f"{path}: it cannot be opened: {error.strerror or error}") from None
    return _contents(path, known.st_mtime_ns, known.st_size)


@lru_cache(maxsize=64)
def _contents(path: Path, *_: int) -> Contents:
    header, _arrays = next(apart(str(path), contents_inside, path))
    places = tuple((int(group), int(index)) for group, index in header["places"])
    return Contents(header["frames"], header["start"], places, tuple(header["names"]), tuple(header["units"]))


def contents_inside(path: Path) -> Iterator[Item]:
    """What the file holds, for a process apart."""
    with CountedLog(Counter()), opened(path) as file:
        places, names, units = _channels_of(file)
        frames = any(group.channel_group.flags & _BUS_EVENT for group in file.groups)
        start = nanoseconds_of(file.header.start_time)
    yield {"frames": bool(frames), "start": start, "places": places, "names": names, "units": units}, []


def group_sizes(path: Path, content: BinaryIO | None = None) -> tuple[list[int], list[int]]:
    """Records in each group of frames, and in each group of decoded channels, of the MF4 file at `path` (or of its
    unpacked `content`).

    Raises:
        SourceError: it cannot be read, or asammdf is not installed.
    """
    frames: list[int] = []
    channels: list[int] = []
    with CountedLog(Counter()), opened(path, content) as file:
        for group in file.groups:
            kind = frames if group.channel_group.flags & _BUS_EVENT else channels
            kind.append(int(group.channel_group.cycles_nr))
    return frames, channels


def need_library(path: Path) -> None:
    """See that asammdf is installed.

    Raises:
        SourceError: it is not.
    """
    if find_spec("asammdf") is None:
        raise SourceError(f'{path}: reading MF4 needs the package asammdf: pip install "livewatch[tables]"')


def opened(path: Path, content: BinaryIO | None = None) -> Any:
    """The file, as asammdf opens it.

    Raises:
        SourceError: it cannot be read.
    """
    import asammdf

    try:
        return asammdf.MDF(path if content is None else content)  # type: ignore[arg-type]
    except Exception as error:  # asammdf raises whatever the bytes lead it to
        raise SourceError(f"{path}: this is no whole MF4 file: {said_by(error)}") from None


def _channels_of(file: Any) -> tuple[list[tuple[int, int]], list[str], list[str | None]]:
    """Place (group, index), name and unit of every channel that is no time and no frame of a bus."""
    places: list[tuple[int, int]] = []
    names: list[str] = []
    units: list[str | None] = []
    for number, group in enumerate(file.groups):
        if group.channel_group.flags & _BUS_EVENT:
            continue
        for index, channel in enumerate(group.channels):
            if channel.channel_type not in _MASTERS:
                places.append((number, index))
                names.append(str(channel.name))
                units.append(channel.unit or (channel.conversion.unit if channel.conversion else None) or None)
    return places, names, units
