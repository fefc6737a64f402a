"""What a screen shows: one unchanging snapshot of a run at one moment.

Everything the widgets draw is in a `Snapshot`; they never touch the run. `snapshot_maker` makes one in the thread of
the run, between two batches; the screen draws it whenever it gets round to it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from livewatch.alarms import AlarmState, State
from livewatch.dashboard.content.need_map import NeedMap
from livewatch.data.samples import Quality
from livewatch.data.ticks import TickBatch
from livewatch.profile.model import Profile
from livewatch.signature.evidence.authority import AuthorityUse
from livewatch.sources.live.status import BusStatus

if TYPE_CHECKING:
    from livewatch.run.achieved_rates import Rate

__all__ = ["ChannelReading", "LikelyCause", "PullRow", "Snapshot", "VerdictSoFar"]


@dataclass(frozen=True, slots=True)
class ChannelReading:
    """One channel now, in its own unit.

    `value` is NaN unless the quality is good; `held` is the last value whatever its worth, and `age` its age in
    seconds: for showing greyed, never for judging.
    """

    name: str
    unit: str
    value: float = math.nan
    held: float = math.nan
    age: float = math.nan
    quality: Quality = Quality.NEVER_SEEN

    @property
    def good(self) -> bool:
        """Whether the value may be believed."""
        return self.quality is Quality.GOOD


@dataclass(frozen=True, slots=True)
class LikelyCause:
    """One possible reason.

    Attributes:
        title: what it is, the fullest wording first.
        size: how large, with its 95 % interval, the fullest wording first; empty when nothing can be measured of it.
        weight: its probability among all causes considered, 0..1.
    """

    title: tuple[str, ...]
    size: tuple[str, ...]
    weight: float = math.nan


@dataclass(frozen=True, slots=True)
class VerdictSoFar:
    """What the signature says so far.

    `word` is fits, strained, misfit or unproven; `coverage` the share of operating regions with enough settled data,
    0..1 or NaN; `next_drive` the next best thing to drive or measure, in one sentence.
    """

    word: str = "unproven"
    sentence: tuple[str, ...] = ("",)
    """Why, the fullest wording first."""
    causes: tuple[LikelyCause, ...] = ()
    coverage: float = math.nan
    next_drive: str = ""
    unable: tuple[str, ...] = ()
    """What it cannot know with these channels."""
    systems: tuple[tuple[str, str], ...] = ()
    """Each system of the car and its word."""
    codes: tuple[str, ...] = ()
    """The car's own fault codes beside what was measured, in full; `codes_short` in a few words each."""
    codes_short: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class PullRow:
    """One full-pedal run through the speed range. Times are data time, ns; `peaks` are (label, value, unit,
    channel)."""

    number: int
    start: int
    stop: int
    peaks: tuple[tuple[str, float, str, str], ...] = ()
    remark: str = ""
    """Why it ended early, or what was wrong in it; empty when it was whole."""


@dataclass(frozen=True, slots=True)
class Snapshot:
    """A run at one moment.

    Attributes:
        made: when it was taken, on the machine's monotonic clock, s: the screen greys everything when it gets old.
        time, utc: data time and the recording's own clock, ns.
        ticks: the latest tick alone; None before the first.
        alarms: every alarm, most urgent first.
        undecoded: frames on the profile's buses that no layout claims, and frames with an unreadable payload.
        recording: whether the run is being kept, the fullest wording first.
        trouble: what is wrong with the source or the recording, most serious first, as sentences.
        ended: whether nothing more can come.
        asked: of each channel that a polled car is asked for, how often it came in the last seconds, and was wanted.
    """

    profile: Profile
    made: float
    time: int = 0
    utc: int = 0
    rows: int = 0
    ticks: TickBatch | None = None
    alarms: tuple[AlarmState, ...] = ()
    authority: tuple[AuthorityUse, ...] = ()
    verdict: VerdictSoFar = field(default_factory=VerdictSoFar)
    pulls: tuple[PullRow, ...] = ()
    need: NeedMap | None = None
    buses: tuple[BusStatus, ...] = ()
    counts: Mapping[str, int] = field(default_factory=dict)
    trouble: tuple[str, ...] = ()
    recording: tuple[str, ...] = ()
    ended: bool = False
    asked: Mapping[str, Rate] = field(default_factory=dict)

    def reading(self, name: str) -> ChannelReading:
        """The channel `name` now; never seen when the profile has no such channel."""
        ticks = self.ticks
        row = None if ticks is None else ticks.index.get(name)
        if ticks is None or row is None:
            return ChannelReading(name, "")
        return ChannelReading(
            name,
            self.profile.channels[row].unit,
            float(ticks.value[row, -1]),
            float(ticks.held[row, -1]),
            float(ticks.age[row, -1]),
            Quality(int(ticks.quality[row, -1])),
        )

    @property
    def announced(self) -> tuple[AlarmState, ...]:
        """The alarms a person must see: standing, latched or not yet acknowledged, most urgent first."""
        return tuple(alarm for alarm in self.alarms if alarm.state not in _NOT_ANNOUNCED)

    @property
    def hidden(self) -> tuple[AlarmState, ...]:
        """The alarms somebody or the profile has taken off the screen: they must not be forgotten."""
        return tuple(alarm for alarm in self.alarms if alarm.state in _HIDDEN)


_HIDDEN = frozenset({State.SHELVED, State.SUPPRESSED, State.OUT_OF_SERVICE})
_NOT_ANNOUNCED = _HIDDEN | {State.NORMAL}
