"""Which column of a table is which channel of the profile.

The names in a table's header and the profile come in; out goes which column is the time and in what unit, which one
is which channel and how its numbers become that channel's, and which are not used. A column is a channel's when the
profile's `tables` says so or when it carries the channel's name, with or without its unit behind it in brackets
(`engine_speed [rpm]`, `Engine speed (rpm)`).
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from livewatch.data.clock import LATE_LIMIT
from livewatch.data.middle import median
from livewatch.data.samples import Quality
from livewatch.errors import SourceError, nearest
from livewatch.profile.model import Channel, Profile
from livewatch.profile.units import UnitError, convert
from livewatch.sources.tables.cells import NUMBER

__all__ = [
    "ColumnBinding",
    "bind_columns",
    "bind_name",
    "check_times",
    "count_missing",
    "is_named",
    "split_name",
    "time_column",
    "time_step",
]

MOST_BACK = 0.01
"""Share of the first rows that may go back in time; more is no slip of a clock. Common practice, no source."""
SECONDS_APART = 5.0
"""Numbers without a unit that lie further apart than this are hardly seconds: no logger is so slow. Common practice."""
FEW_ROWS = 5
TIME_NAMES = ("time", "timestamp", "utc", "date_time", "datetime", "t", "seconds")
_NAME = re.compile(r"\s*(?P<name>.*?)\s*(?:\[(?P<square>[^\[\]]*)\]|\((?P<round>[^()]*)\))?\s*\Z", re.DOTALL)


@dataclass(frozen=True, slots=True)
class ColumnBinding:
    """A column that is a channel.

    Attributes:
        channel: index in `Profile.channels`.
        column: the column's name as the table has it.
        scale, offset: channel value = number * scale + offset.
        valid: inclusive range, in the channel's unit, outside which a value is out of range.
        words: text that stands for a number of this channel, in lower case.
    """

    channel: int
    column: str
    scale: float
    offset: float
    valid: tuple[float, float]
    words: dict[str, float] = field(default_factory=dict)

    def graded(
        self, number: NDArray[np.float64], state: NDArray[np.uint8]
    ) -> tuple[NDArray[np.float64], NDArray[np.uint8]]:
        """Values in the channel's unit and their quality: float64 (n,) and uint8 (n,), of cells that are not empty."""
        value = number * self.scale + self.offset
        quality = np.full(len(value), Quality.GOOD, np.uint8)
        quality[(value < self.valid[0]) | (value > self.valid[1])] = Quality.OUT_OF_RANGE
        quality[state != NUMBER] = Quality.INVALID
        return value, quality


def split_name(text: str) -> tuple[str, str | None]:
    """Name and unit of a header cell: ("engine_speed", "rpm") of `engine_speed [rpm]`; None without brackets."""
    found = _NAME.match(text)
    assert found is not None
    unit = found["square"] if found["square"] is not None else found["round"]
    return found["name"], unit


def _plain(name: str) -> str:
    return re.sub(r"[^a-z0-9]+", "_", name.lower()).strip("_")


def is_named(text: str, name: str) -> bool:
    """Whether a header cell carries `name`, be it with a unit, or with spaces and capitals of its own."""
    return text.strip() == name or _plain(split_name(text)[0]) == _plain(name)


def listed(names: Iterable[str]) -> str:
    """Names for a message, at most twenty of them."""
    every = [repr(name) for name in names]
    return ", ".join(every[:20]) + (f" and {len(every) - 20} more" if len(every) > 20 else "") if every else "none"


def time_column(path: Path, names: Sequence[str], profile: Profile) -> int:
    """The number of the time column.

    Raises:
        SourceError: there is none.
    """
    wanted = profile.tables.time
    for name in TIME_NAMES if wanted is None else (wanted,):
        for number, text in enumerate(names):
            if is_named(text, name):
                return number
    expected = f"{wanted!r}, as the profile says" if wanted is not None else f"one of {', '.join(TIME_NAMES)}"
    raise SourceError(
        f"{path}: no time column: expected {expected}; found {listed(names)}; say in the profile which one it is, "
        "`tables: {time: NAME}`"
    )


def time_step(path: Path, column: str, unit: str | None, profile: Profile) -> int | None:
    """Nanoseconds that one unit of the time column stands for, 0 for ISO 8601 text, None when nobody says.

    Raises:
        SourceError: its unit is none of time.
    """
    unit = profile.tables.time_unit or unit
    if unit is None or not unit.strip():
        return None
    if unit.strip().lower() == "utc":
        return 0
    try:
        return round(convert(unit, "ns")[0])
    except UnitError as error:
        raise SourceError(f"{path}: column {column!r}: {error}; expected a unit of time, or utc") from None


def check_times(path: Path, column: str, time: NDArray[np.int64], unit_unknown: bool) -> None:
    """Look at the first times of a table, int64 (n,) ns, in its order.

    Raises:
        SourceError: they are not in order, or say no unit and make no sense in seconds.
    """
    moved = np.diff(time)
    back = np.flatnonzero(moved < -LATE_LIMIT)
    if len(back) > max(2.0, MOST_BACK * len(time)):
        first = int(back[0])
        raise SourceError(
            f"{path}: column {column!r}: the rows are not in order of time: row "
            f"{first + 2} lies {-moved[first] / 1e9:g} s before row {first + 1}, and {len(back)} of the first "
            f"{len(time)} rows go back; sort the table by this column"
        )
    apart = median(moved) / 1e9 if len(moved) else 0.0
    if unit_unknown and apart >= SECONDS_APART and len(moved) >= FEW_ROWS:
        raise SourceError(
            f"{path}: column {column!r}: found no unit and values {apart:g} apart: in seconds that is one row each "
            f"{apart:g} s, in milliseconds {1000 / apart:g} rows a second; write the unit behind the name, "
            f"`{column} [ms]` or `{column} [s]`, or `tables: {{time_unit: ms}}` in the profile"
        )


def bind_columns(
    path: Path,
    names: Sequence[str],
    units: Sequence[str | None],
    time: int | None,
    profile: Profile,
    counts: Counter[str],
) -> dict[int, ColumnBinding]:
    """Column number to channel. `units` has the unit of each column where it stands apart from the name. Of two columns
    that are the same channel the first is taken, and the other is named in `counts`.

    Raises:
        SourceError: no column is a channel, or the unit of one that is cannot be read or does not convert.
    """
    taken: dict[int, ColumnBinding] = {}
    for index, channel in enumerate(profile.channels):
        mapped, unit = profile.tables.columns.get(channel.name, (channel.name, None))
        if channel.formula is not None:
            continue
        same = [n for n, text in enumerate(names) if n not in (time, *taken) and is_named(text, mapped)]
        for number in same[:1]:
            unit = unit or split_name(names[number])[1] or units[number]
            taken[number] = _binding(path, index, channel, names[number], unit)
        for number in same[1:]:
            counts[
                f"column {number + 1}, {names[number]!r}, is {channel.name} once more, not used: column {same[0] + 1} "
                "is; rename the one that is not meant"
            ] += 1
    if not taken:
        channels = [channel.name for channel in profile.channels if channel.formula is None]
        found = ", ".join(
            f"{text!r}{nearest(_plain(split_name(text)[0]), channels)}"
            for number, text in enumerate(names[:20])
            if number != time
        )
        raise SourceError(
            f"{path}: no column is a channel of the profile: expected names such as {', '.join(channels[:3])}; "
            f"found {found or 'none'}; rename columns, or say in the profile which is which, "
            f"`tables: {{columns: {{{channels[0] if channels else 'CHANNEL'}: NAME}}}}`"
        )
    return taken


def count_missing(profile: Profile, used: Collection[str], counts: Counter[str]) -> None:
    """Count the columns that the profile names for a channel and that the table does not have."""
    if missing := sum(channel not in used for channel in profile.tables.columns):
        counts["columns named in the profile that the table does not have"] += missing


def bind_name(path: Path, name: str, unit: str | None, profile: Profile) -> ColumnBinding | None:
    """The channel that `name` stands for in a table with one value a row; None when there is none.

    Raises:
        SourceError: the unit cannot be read or does not convert.
    """
    for index, channel in enumerate(profile.channels):
        mapped, given = profile.tables.columns.get(channel.name, (channel.name, None))
        if channel.formula is None and is_named(name, mapped):
            return _binding(path, index, channel, name, unit or given or split_name(name)[1])
    return None


def _binding(path: Path, index: int, channel: Channel, text: str, unit: str | None) -> ColumnBinding:
    try:
        scale, offset = convert(unit, channel.unit) if unit and unit.strip() else (1.0, 0.0)
    except UnitError as error:
        name, behind = split_name(text)
        advice = (
            f"; write the unit that its numbers are in behind the name, `{name} [{channel.unit}]`" if behind else ""
        )
        raise SourceError(f"{path}: column {text!r}: {error}{advice}") from None
    words = {word.lower(): float(raw) for raw, word in channel.value_table.items()}
    return ColumnBinding(index, text, scale, offset, channel.valid, words)
