"""What two drives of one car have in common, measured in both: need by load, boost in the pulls, fuel pressure.

Two `Diagnosis` come in; `Measure`s go out by system, each the figure before and after with the difference and its 95 %
interval. Between two drives of one car the tolerances of its parts cancel; fuel, weather and what the computer has
learned do not, and are in the interval.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import exp, hypot, isnan, sqrt
from typing import Any

import numpy as np
from numpy.typing import NDArray

from livewatch.data.middle import median
from livewatch.diagnosis.diagnosis import Diagnosis
from livewatch.profile.model import Profile
from livewatch.signature.estimates import SIGMAS, Estimate
from livewatch.signature.evidence.boost_figures import FAST
from livewatch.signature.evidence.evidence import FLOW_EDGES
from livewatch.signature.fitted_points import FittedPoints

__all__ = ["Measure", "measures_of"]

FUEL_AND_WEATHER = 0.014
"""Spread of need between two drives of one car as one factor: pump fuel, humidity, learning; common practice."""
ELSEWHERE = 0.03
"""Spread of need between two regions of one load, where no region was driven in both; common practice."""
PULLS_APART = 0.025
"""Spread of boost figures between two days, as a share of commanded boost; common practice, and simulated cars."""
SUPPLY_APART = 0.012
"""The same of fuel pressure over its command; common practice."""


@dataclass(frozen=True, slots=True)
class Measure:
    """One quantity in both drives.

    Attributes:
        before, after, difference: in `unit`, with 95 % intervals; 0 is right.
        sizes: how far from right each of them is, in `unit`, with errors that cancel in the mean of the regions.
        band: what of it everyday causes take at the most. everyday: differences up to here say nothing.
        regions: operating regions or pulls that both drives have.
    """

    before: Estimate
    after: Estimate
    difference: Estimate
    sizes: tuple[float, float]
    band: float
    everyday: float
    regions: int

    @property
    def differs(self) -> bool:
        """Whether it differs by more than what is everyday, be the interval what it may."""
        return abs(self.difference.value) > self.everyday

    @property
    def moved(self) -> bool:
        """Whether it differs beyond its interval and what is everyday."""
        return self.differs and (self.difference.low > 0.0 or self.difference.high < 0.0)

    @property
    def badness(self) -> tuple[float, float]:
        """How far away from right before and after, in bands."""
        return self.sizes[0] / self.band, self.sizes[1] / self.band

    @property
    def left(self) -> float:
        """How much of what was wrong is left, in bands. On the other side of right nothing of it is: what stands there
        are the tolerances of the car, that the error was added to."""
        return self.badness[1] if self.before.value * self.after.value > 0.0 else 0.0

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


def measures_of(before: Diagnosis, after: Diagnosis) -> Iterator[tuple[str, list[Measure]]]:
    """Of each system what both drives show of it."""
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
        sizes = [_size(weight, [cells[key] for key in both]) for cells in (mine, theirs)]
        apart = hypot(*spreads, FUEL_AND_WEATHER)
    elif mine and theirs:
        (one, mean), (other, their) = (_mean(cells) for cells in (mine, theirs))
        spreads, apart = [mean, their], hypot(mean, their, FUEL_AND_WEATHER, ELSEWHERE)
        sizes = [abs(one), abs(other)]
    else:
        return None
    before, after = (
        Estimate("need away from the base", *_percent(middle, hypot(spread, FUEL_AND_WEATHER / sqrt(2.0))), place)
        for middle, spread in zip((one, other), spreads, strict=True)
    )
    difference = Estimate("difference of need", *_percent(other - one, apart), place)
    return Measure(before, after, difference, (100.0 * sizes[0], 100.0 * sizes[1]), 6.0, 4.0, len(both))


def _size(weight: NDArray[np.float64], cells: Sequence[tuple[float, float]]) -> float:
    """How far regions of one load are from right: a pump that ends makes lean where large injectors make rich, and the
    mean of the two is nothing."""
    middle, variance = np.array(cells).T
    return max(abs(float(weight @ middle)), sqrt(max(0.0, float(weight @ (middle * middle - variance)))))


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
        one, other = (_shares(drive, name) for drive in (before, after))
        if one and other:
            yield _over_pulls(words, one, other, PULLS_APART, 8.0, 4.0)


def _shares(drive: Diagnosis, name: str) -> list[float]:
    """A figure of boost of every pull that tells of it."""
    responses = [pull.response for pull in drive.pulls if pull.response is not None]
    if name != "short_share":
        responses = [one for one in responses if one.reached]
    if name == "late_share":
        # Boost creeps at the top: pulls that end earlier say nothing about it.
        top = max((one.top_speed for one in responses), default=0.0)
        responses = [one for one in responses if one.top_speed > FAST * top]
    shares = [float(getattr(one, name)) for one in responses]
    return [share for share in shares if not isnan(share)]


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
    sizes = 100.0 * abs(first), 100.0 * abs(second)
    return Measure(
        made(words, first, mine), made(words, second, theirs), difference, sizes, band, everyday,
        min(len(one), len(other)),
    )  # fmt: skip


def _median(values: Sequence[float], usual: float) -> tuple[float, float]:
    deviation = float(np.std(values, ddof=1)) if len(values) > 2 else usual
    return median(values), max(deviation, 0.3 * usual) / sqrt(len(values))


def _displacement(profile: Profile) -> float:
    return profile.engine.displacement if profile.engine is not None else 2.0
