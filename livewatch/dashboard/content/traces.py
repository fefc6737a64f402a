"""The lines of the traces: a channel over time, or in each pull, the most important line last."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from livewatch.dashboard.content.related_channels import commanded_for
from livewatch.dashboard.content.snapshot import PullRow, Snapshot
from livewatch.dashboard.content.view_state import ViewState
from livewatch.profile.model import Profile

__all__ = ["TraceLine", "TraceRole", "axis_across", "extremes", "trace_lines", "traced"]

TraceRole = Literal["over time", "latest pull", "first pull", "between"]
MOST_PULLS = 5
ESSENTIAL = (
    "engine_speed",
    "boost_pressure",
    "manifold_pressure",
    "lambda_1",
    "short_term_fuel_trim_1",
    "mass_air_flow",
    "knock_retard",
    "wastegate_duty",
)


@dataclass(frozen=True, slots=True, eq=False)
class TraceLine:
    """`values` of a channel at `places` on the axis across, float64 (n,), NaN where unknown."""

    places: NDArray[np.float64]
    values: NDArray[np.float64]
    role: TraceRole


def traced(profile: Profile) -> list[str]:
    """The channels traced: the profile's figures, then those that always matter; wanted values ride with their own."""
    wanted = {commanded_for(name, profile) for name in profile.index}
    names = [name for name in (*profile.figures, *ESSENTIAL) if name in profile.index and name not in wanted]
    return list(dict.fromkeys(names))


def axis_across(snapshot: Snapshot, view: ViewState) -> tuple[float, float]:
    """What the axis across covers: data time in ns, engine speed in rpm, or ns since the start of the pull."""
    if view.overlay == "over time":
        return float(view.cursor - view.window), float(view.cursor)
    pulls = _compared(snapshot)
    if view.overlay == "pulls over time":
        return 0.0, float(max(pull.stop - pull.start for pull in pulls))
    speeds = [_line(view, "engine_speed", pull.start, pull.stop)[1] for pull in pulls]
    known = np.concatenate([speed[np.isfinite(speed)] for speed in speeds] or [np.zeros(0)])
    if not len(known):
        return 0.0, 6000.0
    return math.floor(known.min() / 500) * 500.0, math.ceil(known.max() / 500) * 500.0


def trace_lines(snapshot: Snapshot, view: ViewState, name: str, most: int) -> list[TraceLine]:
    """The lines of channel `name`; one over time has about `most` points, its peaks among them."""
    if view.overlay == "over time":
        places, values = _line(view, name, view.cursor - view.window, view.cursor)
        return [TraceLine(*extremes(places.astype(np.int64), values.astype(np.float32), most), "over time")]
    lines = []
    pulls = _compared(snapshot)
    for pull in pulls:
        times, values = _line(view, name, pull.start, pull.stop)
        over_speed = view.overlay == "pulls over speed"
        places = _line(view, "engine_speed", pull.start, pull.stop)[1] if over_speed else times - pull.start
        role: TraceRole = "between"
        if pull is pulls[-1]:
            role = "latest pull"
        elif pull is snapshot.pulls[0]:
            role = "first pull"
        lines.append(TraceLine(places, values, role))
    return lines


def _line(view: ViewState, name: str, start: int, stop: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    assert view.history is not None
    times, values = view.history.window([name], max(0, start), stop)
    return times.astype(np.float64), values[0].astype(np.float64)


def _compared(snapshot: Snapshot) -> list[PullRow]:
    """The first pull and the latest few, in order."""
    pulls = list(snapshot.pulls)
    return pulls if len(pulls) <= MOST_PULLS else [pulls[0], *pulls[-(MOST_PULLS - 1) :]]


def extremes(
    xs: NDArray[np.int64], ys: NDArray[np.float32], most: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """At most about `most` points of a long line that keep its peaks: the lowest and the highest of every stretch.

    `ys` may hold NaN; a stretch of nothing else stays a gap.
    """
    if len(xs) <= most or most < 2:
        return xs.astype(np.float64), ys.astype(np.float64)
    stretch = -(-len(xs) * 2 // most)
    missing = -len(xs) % stretch
    values = np.concatenate((ys.astype(np.float64), np.full(missing, np.nan)))
    blocks = values.reshape(-1, stretch)
    starts = np.concatenate((xs, np.full(missing, xs[-1]))).reshape(-1, stretch)
    unknown = np.isnan(blocks)
    low = np.where(unknown, np.inf, blocks).min(axis=1)
    high = np.where(unknown, -np.inf, blocks).max(axis=1)
    nothing = unknown.all(axis=1)
    low[nothing] = high[nothing] = np.nan
    rising = blocks[:, 0] <= blocks[:, -1]
    pairs = np.stack((np.where(rising, low, high), np.where(rising, high, low)), axis=1).ravel()
    times = np.stack((starts[:, 0], starts[:, -1]), axis=1).ravel()
    return times.astype(np.float64), pairs
