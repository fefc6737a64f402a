"""Evidence: what settled points say, gathered by operating region, in fixed memory however long the drive.

Points come in. A stay in one operating region (a visit) is averaged, and only the average is kept: samples a tenth of a
second apart are not independent, visits nearly are. Averages of visits are summed up by region and by stretch of the
drive; when the stretches are used up they are merged in pairs and made twice as long. All sums grow one point after
the other, so that no cutting of the data changes a digit.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import log, nan
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from livewatch.signature.evidence.readings import LOOK_TIME, Column
from livewatch.signature.evidence.settled import FIELDS, Points

__all__ = ["FLOW_EDGES", "KEPT", "SPEED_EDGES", "STRETCHES", "Evidence", "Region", "Regions", "Totals"]

SPEED_EDGES: tuple[float, ...] = (400.0, 1150.0, 1700.0, 2300.0, 3000.0, 3900.0, 5000.0, 9000.0)
"""rpm; the regions' edges."""
FLOW_EDGES: tuple[float, ...] = (0.3, 1.0, 1.8, 3.0, 5.0, 8.0, 12.5, 19.0, 28.0, 40.0, 55.0, 75.0, 200.0)
"""g/s of air for each litre of displacement; the regions' edges."""
STRETCHES = 6
FIRST_STRETCH = 600
"""Looks in a stretch at first: one minute."""
SHORTEST, LONGEST = 3, 100
"""Looks in a visit: fewer tell nothing, after more a new visit begins."""
GAP = 10
"""Looks one may leave a region without ending the visit."""
LOGGED = ("need_1", "need_2", "open_1", "ratio")
"""What is averaged as a logarithm, with the scatter between visits; ratio is air over filled air."""
_AIR, _FILLED, _OPEN = (FIELDS.index(name) for name in ("air", "filled", "open_1"))
_FLOWS = len(FLOW_EDGES) - 1
KEPT = (*FIELDS, *(f"log_{name}" for name in LOGGED), *(f"square_{name}" for name in LOGGED), "time", "seconds")
"""`time` is data time in the middle of the visit, s."""


@dataclass(frozen=True, slots=True, eq=False)
class Regions:
    """Averages over visits, one entry for each region and stretch that was visited.

    Attributes:
        speed, flow, stretch: int64 (n,), which bins.
        visits: float64 (n,).
        mean: by name of `KEPT`, float64 (n,), mean over the visits; NaN where never known. `seconds` is the total.
        count: by the same names, visits in which it was known.
        middle: float64 (STRETCHES,), middle of each stretch, s.
        lesser: bool (n,), whether what was averaged counts a little only.
        length: looks in a stretch.
    """

    speed: NDArray[np.int64]
    flow: NDArray[np.int64]
    stretch: NDArray[np.int64]
    visits: Column
    mean: Mapping[str, Column]
    count: Mapping[str, Column]
    middle: Column
    lesser: NDArray[np.bool_]
    length: int

    def beside(self, lesser: Regions) -> Regions:
        """These and, after them, those that count a little."""
        length = max(self.length, lesser.length)
        stretch = [part.stretch * part.length // length for part in (self, lesser)]

        def both(name: str) -> dict[str, Column]:
            mine, theirs = getattr(self, name), getattr(lesser, name)
            return {key: np.concatenate((mine[key], theirs[key])) for key in mine}

        return Regions(
            np.concatenate((self.speed, lesser.speed)),
            np.concatenate((self.flow, lesser.flow)),
            np.concatenate(stretch),
            np.concatenate((self.visits, lesser.visits)),
            both("mean"),
            both("count"),
            self.middle if self.length >= lesser.length else lesser.middle,
            np.concatenate((np.zeros(len(self), np.bool_), np.ones(len(lesser), np.bool_))),
            length,
        )

    def __len__(self) -> int:
        return len(self.visits)


@dataclass(frozen=True, slots=True)
class Region:
    """One operating region over the whole drive: edges in rpm and g/s, seconds settled, visits, mean need by bank (NaN
    unknown, as where most visits do not tell which lambda was wanted)."""

    speed: tuple[float, float]
    flow: tuple[float, float]
    seconds: float
    visits: int
    need: tuple[float, float]


@dataclass(frozen=True, slots=True, eq=False)
class Totals:
    """Sums over a whole drive by region: `sum` and `count` float64 (speeds, flows, len(KEPT)), `visits` (speeds,
    flows)."""

    sum: Column
    count: Column
    visits: Column


class _Visit(NamedTuple):
    """One that ended: its region, its first and last look, how many points it has, their sums and counts by field."""

    cell: int
    began: int
    at: int
    points: int
    sums: Column


class Evidence:
    """Args:
    displacement: L, scales the flow bins.
    """

    def __init__(self, displacement: float) -> None:
        self.displacement = displacement
        self.flow_edges = np.array(FLOW_EDGES) * displacement
        self.speed_edges = np.array(SPEED_EDGES)
        shape = (STRETCHES, len(SPEED_EDGES) - 1, len(FLOW_EDGES) - 1)
        self._sum = np.zeros((*shape, len(KEPT)))
        self._count = np.zeros((*shape, len(KEPT)), np.uint32)
        self._visits = np.zeros(shape)
        self._stretch = FIRST_STRETCH
        self._open = self._at = -1
        self._began = self._points = 0
        # Sums of the visit that goes on, and of how many points each was known.
        self._acc = np.zeros(2 * len(FIELDS))
        self.settled_looks = 0

    def add(self, points: Points, chosen: NDArray[np.bool_] | None = None) -> None:
        """Add those points that are `chosen` (the settled ones when not said) and follow those added before."""
        where = np.flatnonzero(points.settled if chosen is None else chosen)
        if not len(where):
            return
        field = points.field[:, where]
        speed = np.searchsorted(self.speed_edges, field[FIELDS.index("speed")], side="right") - 1
        flow = np.searchsorted(self.flow_edges, field[FIELDS.index("air")], side="right") - 1
        inside = (speed >= 0) & (speed < len(SPEED_EDGES) - 1) & (flow >= 0) & (flow < len(FLOW_EDGES) - 1)
        where, field, cell = where[inside], field[:, inside], (speed * _FLOWS + flow)[inside]
        if not len(where):
            return
        unknown = np.isnan(field)
        rows = np.ascontiguousarray(np.concatenate((np.where(unknown, 0.0, field), ~unknown)).T)
        looks = where + points.first
        at, ended = self._visit_begins(looks, cell), list[_Visit]()
        for start, stop in zip([0, *at], [*at, len(looks)], strict=True):
            if start == stop:
                continue
            if start or at[:1] == [0]:
                ended += self._close()
                self._open, self._began = int(cell[start]), int(looks[start])
            rows[start] += self._acc
            # One after the other, so that no cutting changes a digit.
            self._acc = np.add.accumulate(rows[start:stop])[-1].copy()
            self._points += stop - start
            self._at = int(looks[stop - 1])
        self._sum_up(ended)
        self.settled_looks += len(looks)

    def _visit_begins(self, looks: NDArray[np.int64], cell: NDArray[np.int64]) -> list[int]:
        """Which of the points begin a visit: in another region, after a gap, or after the longest visit."""
        before = np.concatenate(([self._at], looks[:-1]))
        other = (cell != np.concatenate(([self._open], cell[:-1]))) | (looks - before > GAP)
        first = np.concatenate(([-self._points], np.flatnonzero(other)))[np.cumsum(other)]
        begins: list[int] = np.flatnonzero((np.arange(len(looks)) - first) % LONGEST == 0).tolist()
        return begins

    def finish(self) -> None:
        """The drive is over: end the visit."""
        self._sum_up(self._close())

    def _close(self) -> list[_Visit]:
        """The visit that went on, if it was long enough to tell something."""
        told = self._open >= 0 and self._points >= SHORTEST
        ended = [_Visit(self._open, self._began, self._at, self._points, self._acc)] if told else []
        self._open, self._points, self._acc = -1, 0, np.zeros(2 * len(FIELDS))
        return ended

    def _sum_up(self, ended: Sequence[_Visit]) -> None:
        """Add the averages of visits that ended to the sums, one after the other."""
        if not ended:
            return
        sums = np.array([visit.sums for visit in ended])
        total, points = sums[:, : len(FIELDS)], sums[:, len(FIELDS) :]
        there = points > 0.0
        # Need of a lesser part of the visit belongs to another air than the mean of all of it.
        length = np.array([visit.points for visit in ended])
        there[:, :2] &= (2.0 * points[:, FIELDS.index("lambda_commanded")] >= length)[:, None]
        there[:, _OPEN] &= 2.0 * points[:, _OPEN] >= length
        rows = np.full((len(ended), len(KEPT)), nan)
        np.divide(total, points, out=rows[:, : len(FIELDS)], where=there)
        rows[:, len(FIELDS) :] = [
            _derived(visit, mean) for visit, mean in zip(ended, rows[:, : len(FIELDS)].tolist(), strict=True)
        ]
        known = ~np.isnan(rows)
        for visit, row, there_in_it in zip(ended, np.where(known, rows, 0.0), known, strict=True):
            while visit.at >= self._stretch * STRETCHES:
                self._merge()
            place = (visit.at // self._stretch, *divmod(visit.cell, _FLOWS))
            self._sum[place] += row
            self._count[place] += there_in_it
            self._visits[place] += 1.0

    def _merge(self) -> None:
        """Merge the stretches in pairs and make them twice as long."""
        for kept in (self._sum, self._count, self._visits):
            for stretch in range(STRETCHES):
                low = 2 * stretch
                kept[stretch] = kept[low] + kept[low + 1] if low < STRETCHES else 0.0
        self._stretch *= 2

    def regions(self) -> Regions:
        """Everything so far, the visit that goes on aside."""
        stretch, speed, flow = np.nonzero(self._visits)
        total, count = self._sum[stretch, speed, flow], self._count[stretch, speed, flow].astype(np.float64)
        with np.errstate(invalid="ignore", divide="ignore"):
            mean = total / count
        mean[:, -1] = total[:, -1]
        middle: Column = np.array([(k + 0.5) * self._stretch * LOOK_TIME / 1e9 for k in range(STRETCHES)])
        return Regions(
            speed,
            flow,
            stretch,
            self._visits[stretch, speed, flow],
            dict(zip(KEPT, mean.T, strict=True)),
            dict(zip(KEPT, count.T, strict=True)),
            middle,
            np.zeros(len(stretch), np.bool_),
            self._stretch,
        )

    def map(self) -> list[Region]:
        """The operating regions over the whole drive, slowest and least first."""
        seconds = self._sum[..., -1].sum(axis=0)
        visits = self._visits.sum(axis=0)
        need = [KEPT.index(f"log_need_{bank}") for bank in (1, 2)]
        with np.errstate(invalid="ignore", divide="ignore"):
            mean = np.exp(self._sum[..., need].sum(axis=0) / self._count[..., need].sum(axis=0))
        told = self._count[..., KEPT.index("lambda_commanded")].sum(axis=0)
        mean[2.0 * told < visits] = nan
        found = []
        for s, f in zip(*np.nonzero(visits), strict=True):
            found.append(
                Region(
                    (SPEED_EDGES[s], SPEED_EDGES[s + 1]),
                    (float(self.flow_edges[f]), float(self.flow_edges[f + 1])),
                    float(seconds[s, f]),
                    int(visits[s, f]),
                    (float(mean[s, f, 0]), float(mean[s, f, 1])),
                )
            )
        return found

    def totals(self) -> Totals:
        """The sums of all stretches together."""
        return Totals(self._sum.sum(axis=0), self._count.sum(axis=0, dtype=np.float64), self._visits.sum(axis=0))


def _derived(visit: _Visit, mean: Sequence[float]) -> tuple[float, ...]:
    """What of `KEPT` follows from the mean of each field over a visit."""
    air, filled = mean[_AIR], mean[_FILLED]
    logged = (*mean[:2], mean[_OPEN], air / filled if filled > 0.0 else nan)
    # Not numpy's logarithm: its last digit may depend on the machine.
    logs = [log(value) if value > 0.0 else nan for value in logged]
    middle = (visit.began + visit.at) / 2.0 * LOOK_TIME / 1e9
    return (*logs, *(value * value for value in logs), middle, visit.points * LOOK_TIME / 1e9)
