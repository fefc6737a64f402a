"""Two drives of one car set side by side: what is fixed, better, the same or worse, system by system.

Two `Diagnosis` come in; a `Change` goes out: for each system what was measured in both, at the same operating regions,
with the difference and its 95 % interval; and the alarms that are new or gone. Between two drives of one car the
tolerances of its parts cancel; fuel, weather and what the computer has learned do not, and are in the interval.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from math import exp, hypot, isnan, sqrt
from typing import Any, Literal

import numpy as np

from livewatch.data.alarm_states import PRIORITIES, Priority
from livewatch.diagnosis.diagnosis import Diagnosis
from livewatch.errors import UsageError
from livewatch.profile.model import Profile
from livewatch.signature.estimates import SIGMAS, Estimate
from livewatch.signature.evidence.evidence import FLOW_EDGES
from livewatch.signature.fitted_points import FittedPoints
from livewatch.signature.verdict import SystemVerdict

__all__ = ["AlarmChange", "Change", "Measure", "SystemChange", "Turn", "change_between", "changes_over"]

Turn = Literal["fixed", "better", "same", "worse", "cannot say"]

FUEL_AND_WEATHER = 0.014
"""Spread of need between two drives of one car as one factor: pump fuel, humidity, learning; common practice."""
ELSEWHERE = 0.03
"""Spread of need between two regions of one load, where no region was driven in both; common practice."""
PULLS_APART = 0.025
"""Spread of boost figures between two days, as a share of commanded boost; common practice, and simulated cars."""
SUPPLY_APART = 0.012
"""The same of fuel pressure over its command; common practice."""
LEFT = 0.4
"""Share of an error that may be left where it is called fixed: the tolerances of the car are in it."""
CLEARLY = 0.2
"""Share by which an error has to grow or shrink to be called worse or better."""
WRONG: tuple[str, ...] = ("misfit", "strained")


@dataclass(frozen=True, slots=True)
class Measure:
    """One quantity in both drives.

    Attributes:
        before, after, difference: in `unit`, with 95 % intervals; 0 is right.
        band: what of it everyday causes take at the most. everyday: differences up to here say nothing.
        regions: operating regions or pulls that both drives have.
    """

    before: Estimate
    after: Estimate
    difference: Estimate
    band: float
    everyday: float
    regions: int

    @property
    def moved(self) -> bool:
        """Whether it differs beyond its interval and what is everyday."""
        clear = self.difference.low > 0.0 or self.difference.high < 0.0
        return clear and abs(self.difference.value) > self.everyday

    @property
    def badness(self) -> tuple[float, float]:
        """How far away from right before and after, in bands."""
        return abs(self.before.value) / self.band, abs(self.after.value) / self.band

    def to_json(self) -> dict[str, Any]:
        """Plain data."""
        return {
            "quantity": self.before.what,
            "before": self.before.to_json(),
            "after": self.after.to_json(),
            "difference": self.difference.to_json(),
            "regions_in_both": self.regions,
            "moved": self.moved,
        }


@dataclass(frozen=True, slots=True)
class SystemChange:
    """One system: its words before and after, how it turned, and what was measured of it."""

    system: str
    before: str
    after: str
    turn: Turn
    measures: tuple[Measure, ...]

    @property
    def main(self) -> Measure | None:
        """The measure that was, or is, furthest from right."""
        return max(self.measures, key=lambda one: max(one.badness), default=None)

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
    measured = {system: tuple(some) for system, some in _measures(before, after)}
    words = {one.system: one for one in before.assessment.finding.verdict.systems}
    systems = tuple(
        _system(words[one.system], one, measured.get(one.system, ()))
        for one in after.assessment.finding.verdict.systems
        if one.system in words
    )
    return Change(
        before, after, systems, tuple(_alarms(before, after)), _whole(systems), tuple(_cautions(before, after))
    )


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


def _measures(before: Diagnosis, after: Diagnosis) -> Iterator[tuple[str, list[Measure]]]:
    needs = list(_needs(before, after))
    yield "fuel at part load", [one for one in needs if not one.before.place.endswith("high load")]
    yield "fuel under load", [one for one in needs if one.before.place.endswith("high load")]
    yield "boost", list(_boost(before, after))
    yield "fuel supply", list(_supply(before, after))


def _needs(before: Diagnosis, after: Diagnosis) -> Iterator[Measure]:
    """Need by load and bank, over the operating regions that both drives have."""
    displacement = _displacement(before.profile)
    groups = before.assessment.finding.coverage.groups
    one, other = (_cells(drive.assessment.finding.points) for drive in (before, after))
    banks = sorted({kind for kind, _ in one} & {kind for kind, _ in other} & {"need_1", "need_2"})
    for bank in banks:
        for group in groups:
            low, high = group.flow[0], float("inf") if group is groups[-1] else group.flow[1]

            def of(cells: _Cells, bank: str = bank, low: float = low, high: float = high) -> _Cells:
                return {
                    key: value
                    for key, value in cells.items()
                    if key[0] == bank and low - 1e-9 <= FLOW_EDGES[key[1][1]] * displacement < high - 1e-9
                }

            mine, theirs = of(one), of(other)
            place = group.name if len(banks) == 1 else f"bank {bank[-1]}, {group.name}"
            made = _need(place, mine, theirs)
            if made is not None:
                yield made


_Cells = dict[tuple[str, tuple[int, int]], tuple[float, float]]
"""Kind and region to the mean logarithm and its variance."""


def _cells(points: FittedPoints) -> _Cells:
    sums: dict[tuple[str, tuple[int, int]], tuple[float, float]] = {}
    for kind, (speed, flow), value, deviation in zip(
        points.kind.tolist(), points.cell.tolist(), points.value.tolist(), points.deviation.tolist(), strict=True
    ):
        weight = 1.0 / (deviation * deviation)
        total, over = sums.get((kind, (speed, flow)), (0.0, 0.0))
        sums[kind, (speed, flow)] = total + weight * float(np.log(value)), over + weight
    return {key: (total / weight, 1.0 / weight) for key, (total, weight) in sums.items()}


def _need(place: str, mine: _Cells, theirs: _Cells) -> Measure | None:
    both = sorted(mine.keys() & theirs.keys())
    if both:
        weight = np.array([1.0 / (mine[key][1] + theirs[key][1] + 0.006**2) for key in both])
        weight /= weight.sum()
        one = float(weight @ np.array([mine[key][0] for key in both]))
        other = float(weight @ np.array([theirs[key][0] for key in both]))
        spreads = [
            sqrt(float((weight * weight) @ np.array([cells[key][1] for key in both]))) for cells in (mine, theirs)
        ]
        apart = hypot(*spreads, FUEL_AND_WEATHER)
    elif mine and theirs:
        (one, mean), (other, their) = (_mean(cells) for cells in (mine, theirs))
        spreads, apart = [mean, their], hypot(mean, their, FUEL_AND_WEATHER, ELSEWHERE)
    else:
        return None
    before, after = (
        Estimate("need away from the base", *_percent(middle, hypot(spread, FUEL_AND_WEATHER / sqrt(2.0))), place)
        for middle, spread in zip((one, other), spreads, strict=True)
    )
    difference = Estimate("difference of need", *_percent(other - one, apart), place)
    return Measure(before, after, difference, 6.0, 3.0, len(both))


def _mean(cells: _Cells) -> tuple[float, float]:
    weight = np.array([1.0 / (variance + 0.006**2) for _, variance in cells.values()])
    return float(weight @ np.array([middle for middle, _ in cells.values()]) / weight.sum()), float(
        weight.sum() ** -0.5
    )


def _percent(middle: float, deviation: float) -> tuple[float, str, float, float]:
    low, high = (100.0 * (exp(middle + side * SIGMAS * deviation) - 1.0) for side in (-1.0, 1.0))
    return 100.0 * (exp(middle) - 1.0), "%", low, high


def _boost(before: Diagnosis, after: Diagnosis) -> Iterator[Measure]:
    """What the pulls show of boost, in % of commanded boost."""
    for words, name in (
        ("overshoot of boost", "overshoot_share"),
        ("boost away from its command once settled", "steady_share"),
        ("boost away from its command at the end of a pull", "late_share"),
        ("boost missing", "short_share"),
    ):
        one, other = (
            [
                value
                for pull in drive.pulls
                if pull.response is not None and not isnan(value := getattr(pull.response, name))
                and (pull.response.reached or name == "short_share")
            ]
            for drive in (before, after)
        )  # fmt: skip
        if one and other:
            yield _over_pulls(words, one, other, PULLS_APART, 8.0, 4.0)


def _supply(before: Diagnosis, after: Diagnosis) -> Iterator[Measure]:
    """The lowest fuel pressure of each pull, in % of its command."""
    one, other = (
        [value - 1.0 for pull in drive.pulls for name, value, _, _ in pull.peaks if name == "rail_share"]
        for drive in (before, after)
    )
    if one and other:
        yield _over_pulls("lowest fuel pressure away from its command", one, other, SUPPLY_APART, 8.0, 3.0)


def _over_pulls(
    words: str, one: Sequence[float], other: Sequence[float], apart: float, band: float, everyday: float
) -> Measure:
    (first, mine), (second, theirs) = (_median(values, apart) for values in (one, other))

    def made(what: str, middle: float, deviation: float) -> Estimate:
        half = 100.0 * SIGMAS * deviation
        return Estimate(what, 100.0 * middle, "%", 100.0 * middle - half, 100.0 * middle + half)

    difference = made(f"difference of {words}", second - first, hypot(mine, theirs, apart))
    return Measure(
        made(words, first, mine), made(words, second, theirs), difference, band, everyday, min(len(one), len(other))
    )


def _median(values: Sequence[float], usual: float) -> tuple[float, float]:
    deviation = float(np.std(values, ddof=1)) if len(values) > 2 else usual
    return float(np.median(values)), max(deviation, 0.3 * usual) / sqrt(len(values))


def _system(before: SystemVerdict, after: SystemVerdict, measures: tuple[Measure, ...]) -> SystemChange:
    made = SystemChange(after.system, before.word, after.word, "same", measures)
    return replace(made, turn=_turn(made))


def _turn(one: SystemChange) -> Turn:
    main = one.main
    was, now = (max((m.badness[side] for m in one.measures), default=0.0) for side in (0, 1))
    was_wrong, is_wrong = one.before in WRONG or was > 1.0, one.after in WRONG or now > 1.0
    if main is None:
        return _by_words(one)
    first, second = main.badness
    if not was_wrong and not is_wrong:
        return "same"
    if main.moved and second < (1.0 - CLEARLY) * first:
        fixed = not is_wrong and now <= max(LEFT * was, 0.5)
        return "fixed" if fixed and was_wrong else "better"
    if main.moved and first < (1.0 - CLEARLY) * second and is_wrong:
        return "worse"
    return "same"


def _by_words(one: SystemChange) -> Turn:
    if "not seen" in (one.before, one.after) or "unproven" in (one.before, one.after):
        return "cannot say"
    if one.before == one.after:
        return "same"
    order = ("fits", "strained", "misfit")
    if one.after == "fits":
        return "fixed"
    return "better" if order.index(one.after) < order.index(one.before) else "worse"


def _whole(systems: Sequence[SystemChange]) -> Turn:
    turns = {one.turn for one in systems}
    if "worse" in turns:
        return "worse"
    if turns <= {"cannot say"}:
        return "cannot say"
    if not turns & {"fixed", "better"}:
        return "same"
    left = any(one.turn == "better" or (one.turn in ("same", "cannot say") and one.after in WRONG) for one in systems)
    return "better" if left else "fixed"


def _alarms(before: Diagnosis, after: Diagnosis) -> Iterator[AlarmChange]:
    counts: dict[tuple[int, str], list[int]] = {}
    for side, drive in enumerate((before, after)):
        for spell in drive.alarms:
            counts.setdefault((PRIORITIES.index(spell.priority), spell.alarm), [0, 0])[side] += 1
    for (place, alarm), (one, other) in sorted(counts.items()):
        yield AlarmChange(alarm, PRIORITIES[place], one, other)


def _cautions(before: Diagnosis, after: Diagnosis) -> Iterator[str]:
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


def _displacement(profile: Profile) -> float:
    return profile.engine.displacement if profile.engine is not None else 2.0
