"""Fuel need by operating region: from the coverage of an assessment, joined where there is little room."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from livewatch.signature.evidence.coverage import Coverage
from livewatch.signature.evidence.evidence import FLOW_EDGES, SPEED_EDGES

__all__ = ["NeedMap", "condensed", "need_map_of"]

ENOUGH = 2.0
"""Settled seconds in a region from which its need is drawn as sure."""


@dataclass(frozen=True, slots=True, eq=False)
class NeedMap:
    """Fuel need by operating region.

    `speeds` (rpm) and `flows` (g/s) are the edges of the regions, n + 1 and m + 1 ascending numbers; `need` float64
    (m, n) is the deviation of need from 1, NaN where nothing settled was seen; `enough` bool (m, n) says where there is
    enough of it to go by.
    """

    speeds: NDArray[np.float64]
    flows: NDArray[np.float64]
    need: NDArray[np.float64]
    enough: NDArray[np.bool_]

    def region_of(self, speed: float, flow: float) -> tuple[int, int] | None:
        """Row and column of the region that holds an engine speed, rpm, and an air flow, g/s; None where none does."""
        if not (math.isfinite(speed) and math.isfinite(flow)):
            return None
        column = int(np.searchsorted(self.speeds, speed, side="right")) - 1
        row = int(np.searchsorted(self.flows, flow, side="right")) - 1
        rows, columns = self.need.shape
        return (row, column) if 0 <= row < rows and 0 <= column < columns else None


def need_map_of(coverage: Coverage, displacement: float) -> NeedMap | None:
    """Mean need of the banks by region; None before anything was seen."""
    if not coverage.regions:
        return None
    speeds, flows = np.array(SPEED_EDGES), np.array(FLOW_EDGES) * displacement
    need = np.full((len(flows) - 1, len(speeds) - 1), math.nan)
    enough = np.zeros(need.shape, np.bool_)
    for region in coverage.regions:
        column = int(np.argmin(np.abs(speeds - region.speed[0])))
        row = int(np.argmin(np.abs(flows - region.flow[0])))
        known = [one - 1.0 for one in region.need if math.isfinite(one)]
        if known and row < need.shape[0] and column < need.shape[1]:
            need[row, column] = sum(known) / len(known)
            enough[row, column] = region.seconds >= ENOUGH
    seen = np.isfinite(need)
    rows, columns = np.flatnonzero(seen.any(axis=1)), np.flatnonzero(seen.any(axis=0))
    if not len(rows):
        return None
    top, right = int(rows[-1]) + 1, int(columns[-1]) + 1
    bottom, left = int(rows[0]), int(columns[0])
    part = np.s_[bottom:top, left:right]
    return NeedMap(speeds[left : right + 1], flows[bottom : top + 1], need[part], enough[part])


def condensed(need: NeedMap, columns: int, rows: int) -> NeedMap:
    """Neighbouring regions joined until at most so many are left; a joined region shows its largest deviation."""
    have_rows, have_columns = need.need.shape
    across, up = -(-have_columns // columns), -(-have_rows // rows)
    if across == 1 and up == 1:
        return need
    speeds = np.append(need.speeds[:-1:across], need.speeds[-1])
    flows = np.append(need.flows[:-1:up], need.flows[-1])
    joined = np.full((len(flows) - 1, len(speeds) - 1), math.nan)
    enough = np.zeros(joined.shape, np.bool_)
    for row in range(joined.shape[0]):
        for column in range(joined.shape[1]):
            area = np.s_[row * up : (row + 1) * up, column * across : (column + 1) * across]
            values, sure = need.need[area].ravel(), need.enough[area].ravel()
            seen = np.isfinite(values) & (sure if (sure & np.isfinite(values)).any() else True)
            if seen.any():
                joined[row, column] = values[seen][np.argmax(np.abs(values[seen]))]
                enough[row, column] = bool(sure[seen].any())
    return NeedMap(speeds, flows, joined, enough)
