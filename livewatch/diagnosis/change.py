"""Two drives of one car set side by side: what is fixed, better, the same or worse, system by system.

Two `Diagnosis` come in; a `Change` goes out: for each system what was measured in both, at the same operating regions,
with the difference and its 95 % interval; and the alarms that are new or gone.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Literal

from livewatch.data.alarm_states import PRIORITIES, Priority
from livewatch.diagnosis.diagnosis import Diagnosis
from livewatch.diagnosis.measures import Measure, measures_of
from livewatch.errors import UsageError
from livewatch.profile.model import Profile
from livewatch.signature.cause import Cause
from livewatch.signature.verdict import SystemVerdict, Verdict

__all__ = [
    "AlarmChange",
    "Change",
    "SystemChange",
    "SystemTurn",
    "Turn",
    "change_between",
    "changes_over",
    "turn_of",
    "whole_of",
]

Turn = Literal["fixed", "better", "same", "worse", "cannot say"]
SystemTurn = Turn | Literal["uncovered"]
"""`uncovered`: further from right, but nothing new is wrong: what worked against it is gone."""

LEFT = 0.4
"""Share of an error that may be left where it is called fixed: the tolerances of the car are in it."""
CLEARLY = 0.2
"""Share by which an error has to grow or shrink to be called worse or better."""
WRONG: tuple[str, ...] = ("misfit", "strained")


@dataclass(frozen=True, slots=True)
class SystemChange:
    """One system: its words before and after, how it turned, and what was measured of it."""

    system: str
    before: str
    after: str
    turn: SystemTurn
    measures: tuple[Measure, ...]

    @property
    def main(self) -> Measure | None:
        """The measure that was, or is, furthest from right."""
        return max(self.measures, key=lambda one: max(one.badness), default=None)

    @property
    def is_wrong(self) -> bool:
        """Whether it is wrong in the later drive: by its word, or by a figure where that is not enough for a word."""
        return self.after in WRONG or (self.after != "fits" and any(one.badness[1] > 1.0 for one in self.measures))

    def to_json(self) -> dict[str, Any]:
        """Plain data."""
        return {
            "system": self.system,
            "before": self.before,
            "after": self.after,
            "turn": self.turn,
            "measures": [one.to_json() for one in self.measures],
        }


@dataclass(frozen=True, slots=True)
class AlarmChange:
    """One alarm: how often it was raised before and after."""

    alarm: str
    priority: Priority
    before: int
    after: int

    @property
    def turn(self) -> str:
        """`new`, `gone`, `more`, `fewer` or `as often`."""
        if not self.before or not self.after:
            return "new" if self.after else "gone"
        return "as often" if self.before == self.after else "more" if self.after > self.before else "fewer"

    def to_json(self) -> dict[str, Any]:
        """Plain data."""
        return {
            "alarm": self.alarm,
            "priority": self.priority,
            "before": self.before,
            "after": self.after,
            "turn": self.turn,
        }


@dataclass(frozen=True, slots=True, eq=False)
class Change:
    """From one drive to a later one.

    Attributes:
        before, after: the drives.
        systems, alarms: what changed.
        turn: of the whole: `fixed` where something was wrong and nothing is any more; `better`, `worse`; `same`.
        cautions: why the two may not be what they seem: other names, a load that one of them lacks.
    """

    before: Diagnosis
    after: Diagnosis
    systems: tuple[SystemChange, ...]
    alarms: tuple[AlarmChange, ...]
    turn: Turn
    cautions: tuple[str, ...]

    def to_json(self) -> dict[str, Any]:
        """Plain data, format version 1."""
        return {
            "comparison": 1,
            "before": {"source": self.before.path.name, "verdict": self.before.verdict},
            "after": {"source": self.after.path.name, "verdict": self.after.verdict},
            "turn": self.turn,
            "systems": [one.to_json() for one in self.systems],
            "alarms": [one.to_json() for one in self.alarms],
            "cautions": list(self.cautions),
        }


def changes_over(drives: Sequence[Diagnosis]) -> list[Change]:
    """Each drive against the one before it; and of three or more the last against the first.

    Raises:
        UsageError: there are fewer than two, or they are of different vehicles.
    """
    if len(drives) < 2:
        raise UsageError("nothing to compare: expected two or more drives of one car")
    changes = [change_between(one, other) for one, other in pairwise(drives)]
    return [*changes, change_between(drives[0], drives[-1])] if len(drives) > 2 else changes


def change_between(before: Diagnosis, after: Diagnosis) -> Change:
    """What changed from one drive to another.

    Raises:
        UsageError: they are of different vehicles.
    """
    _same_vehicle(before, after)
    measured = {system: tuple(some) for system, some in measures_of(before, after)}
    words = {one.system: one for one in before.assessment.finding.verdict.systems}
    is_old = _is_nothing_new(before.assessment.finding.verdict, after.assessment.finding.verdict)
    systems = tuple(
        _system(words[one.system], one, measured.get(one.system, ()), is_old)
        for one in after.assessment.finding.verdict.systems
        if one.system in words
    )
    return Change(
        before, after, systems, tuple(_alarms(before, after)), whole_of(systems), tuple(_cautions(before, after))
    )


def _system(
    before: SystemVerdict, after: SystemVerdict, measures: tuple[Measure, ...], is_nothing_new: bool
) -> SystemChange:
    turn: SystemTurn = turn_of(before.word, after.word, measures)
    if turn == "worse" and is_nothing_new and not after.alarms:
        turn = "uncovered"
    return SystemChange(after.system, before.word, after.word, turn, measures)


def _is_nothing_new(before: Verdict, after: Verdict) -> bool:
    """Whether a cause is gone, and those that are left were there before and are no larger: large injectors show more
    of themselves once the weak pump is mended."""
    one, other = ({cause.name: cause for cause in verdict.established} for verdict in (before, after))
    return 0 < len(other) < len(one) and all(name in one and not _grew(one[name], other[name]) for name in other)


def _grew(before: Cause, after: Cause) -> bool:
    was, now = (cause.largest_need or next(iter(cause.estimates), None) for cause in (before, after))
    if was is None or now is None:
        return True
    return abs(now.value) > abs(was.value) and (now.low > was.high or now.high < was.low)


def _same_vehicle(before: Diagnosis, after: Diagnosis) -> None:
    one, other = _engine(before.profile), _engine(after.profile)
    if one != other:
        raise UsageError(
            f"{after.path} is of another vehicle than {before.path}: its profile {after.profile.name!r} has {other}, "
            f"that of the first, {before.profile.name!r}, has {one}; expected drives of one car"
        )


def _engine(profile: Profile) -> str:
    engine = profile.engine
    if engine is None:
        return f"no engine (profile {profile.name!r})"
    meter = "with" if engine.air_metering == "mass_air_flow" else "without"
    return (
        f"{engine.displacement:g} L, {engine.cylinders} cylinders, {engine.banks} bank(s), "
        f"{engine.induction.replace('_', ' ')}, {meter} an air meter"
    )


def turn_of(before: str, after: str, measures: Sequence[Measure]) -> Turn:
    """How a system turned, by its words and by what was measured of it in both drives."""
    main = max(measures, key=lambda one: max(one.badness), default=None)
    if main is None:
        return _by_words(before, after)
    was, now = (max(one.badness[side] for one in measures) for side in (0, 1))
    was_wrong, is_wrong = before in WRONG or was > 1.0, after in WRONG or now > 1.0
    if before == after == "fits" or not (was_wrong or is_wrong):
        return "same"
    first, second = main.badness
    # Where a cause was established in the one and everything right in the other, the two verdicts are evidence as well.
    moved = main.moved or (main.differs and {before, after} == {"misfit", "fits"})
    if moved and second < (1.0 - CLEARLY) * first:
        left = max(one.left for one in measures)
        return "fixed" if was_wrong and not is_wrong and left <= max(LEFT * was, 0.5) else "better"
    if moved and is_wrong and first < (1.0 - CLEARLY) * second:
        return "worse"
    return "same"


def _by_words(before: str, after: str) -> Turn:
    order = ("fits", "strained", "misfit")
    if before not in order or after not in order:
        return "cannot say"
    if before == after:
        return "same"
    if after == "fits":
        return "fixed"
    return "better" if order.index(after) < order.index(before) else "worse"


def whole_of(systems: Sequence[SystemChange]) -> Turn:
    """How the car turned, by how its systems did."""
    turns = {one.turn for one in systems}
    if "worse" in turns or ("uncovered" in turns and not turns & {"fixed", "better"}):
        return "worse"
    if turns <= {"cannot say"}:
        return "cannot say"
    if not turns & {"fixed", "better"}:
        return "same"
    left = any(
        one.turn in ("better", "uncovered") or (one.turn in ("same", "cannot say") and one.is_wrong) for one in systems
    )
    return "better" if left else "fixed"


def _alarms(before: Diagnosis, after: Diagnosis) -> Iterator[AlarmChange]:
    counts: dict[tuple[int, str], list[int]] = {}
    for side, drive in enumerate((before, after)):
        for spell in drive.alarms:
            counts.setdefault((PRIORITIES.index(spell.priority), spell.alarm), [0, 0])[side] += 1
    for (place, alarm), (one, other) in sorted(counts.items()):
        yield AlarmChange(alarm, PRIORITIES[place], one, other)


def _cautions(before: Diagnosis, after: Diagnosis) -> Iterator[str]:
    yield from (f"{one.path.name}: {one.wrong_profile}" for one in (before, after) if one.wrong_profile)
    if before.profile.name != after.profile.name:
        yield (
            f"The profiles have different names, {before.profile.name!r} and {after.profile.name!r}: make sure that "
            "it is "
            "the same car."
        )
    for drive, when in ((before, "earlier"), (after, "later")):
        for group in drive.assessment.finding.coverage.groups:
            if not group.enough:
                yield f"The {when} drive has too little {group.name}: what is gone there may only not have been driven."
        if drive.duration == 0:
            yield f"The {when} drive is empty."
