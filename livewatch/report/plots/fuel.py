"""Fuel in pictures: need over air flow with the causes fitted to it, and metered against speed-density air.

The points of a finding come in; `Picture`s go out.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np

from livewatch.report.drive_data import Column, DriveData
from livewatch.report.palette import LINES, PAGE
from livewatch.report.plots.picture import Picture, lacking, legend, named, shade
from livewatch.signature.cause import Cause
from livewatch.signature.fitted_points import FittedPoints

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["air_agreement", "need_over_flow", "plain_ticks"]

EVERYDAY = 6.0
"""Per cent of need that everyday adaptation takes at the most; common practice."""


def need_over_flow(drive: DriveData) -> Picture:
    """Need at every operating region that was driven, and what each established cause takes of it."""
    name, title = "need_over_flow", "Fuel need over air flow"
    caption = (
        "Each mark is one operating region: by how much the base calibration gives too little fuel (above 0) or too "
        "much (below). Bars are the scatter from visit to visit; hollow marks count a little only. The grey band is "
        "everyday adaptation. Lines are the causes that were established."
    )
    points = drive.diagnosis.assessment.finding.points
    banks = [bank for bank in (1, 2) if points.of(f"need_{bank}").any()]
    if not banks:
        lost = drive.missing("short_term_fuel_trim_1", "mass_air_flow", "manifold_pressure", "lambda_1")
        why = f"Not in the data: {', '.join(lost)}." if lost else "No settled driving: need was seen nowhere."
        return lacking(name, title, caption, why)
    causes = _named(drive, points)
    needs = np.concatenate([100.0 * (points.value[points.of(f"need_{bank}")] - 1.0) for bank in banks])
    flows = points.air[points.of("need_1", "need_2")]
    alt = (
        f"{len(needs)} points from {flows.min():.1f} to {flows.max():.0f} g/s of air; need from {needs.min():+.0f} "
        "% to "
        f"{needs.max():+.0f} %." + "".join(f" Fitted: {one}." for one in causes.values())
    )

    def draw(figure: Figure) -> None:
        axes = figure.subplots()
        axes.axhspan(-EVERYDAY, EVERYDAY, color="#e8ebee", zorder=0, label="everyday adaptation, ±6 %")
        axes.axhline(0.0, color=PAGE["rule"], linewidth=0.8)
        for bank in banks:
            _bank(axes, points, bank, f"bank {bank}" if len(banks) > 1 else "seen")
        for number, (cause, words) in enumerate(causes.items(), 2):
            _line(axes, points, points.effects[cause], words, number)
        if len(causes) > 1:
            together = np.prod([points.effects[cause] for cause in causes], axis=0)
            _line(axes, points, together, "all of them together", 1)
        axes.set_xscale("log")
        plain_ticks(axes, flows)
        named(axes, "air flow, g/s (logarithmic)", "fuel need, % away from the base")
        legend(figure, axes)

    return Picture(name, title, caption, alt, draw, 3.3)


def _named(drive: DriveData, points: FittedPoints) -> Mapping[str, str]:
    known: dict[str, Cause] = {cause.name: cause for cause in drive.diagnosis.causes}
    return {name: known[name].short for name in points.effects if name in known}


def _bank(axes: Axes, points: FittedPoints, bank: int, label: str) -> None:
    at = points.of(f"need_{bank}")
    colour, _, mark = LINES[bank - 1]
    for lesser in (False, True):
        some = at & (points.lesser == lesser)
        if some.any():
            need = 100.0 * (points.value[some] - 1.0)
            axes.errorbar(
                points.air[some], need, yerr=196.0 * points.value[some] * points.deviation[some], fmt=mark,
                color=colour, markersize=4.5, markerfacecolor="white" if lesser else colour, elinewidth=0.8,
                label=f"{label}, counts a little" if lesser else label, zorder=3,
            )  # fmt: skip


def _line(axes: Axes, points: FittedPoints, effect: Column, label: str, number: int) -> None:
    """What causes take of need, along the air flow, of each bank: the middle of what they take in regions of about the
    same flow."""
    for bank in (1, 2):
        at = points.of(f"need_{bank}") & (np.abs(np.log(effect)) > 0.0)
        if not at.any():
            continue
        order = np.argsort(points.air[at])
        flow, need = points.air[at][order], 100.0 * (effect[at][order] - 1.0)
        parts = np.array_split(np.arange(len(flow)), min(len(flow), 24))
        across = [float(np.exp(np.log(flow[part]).mean())) for part in parts]
        axes.plot(across, [float(np.median(need[part])) for part in parts], label=label, **shade(number))


def plain_ticks(axes: Axes, flows: Column) -> None:
    """Figures along a logarithmic axis of air flow that people read: 1, 2, 5, 10."""
    ticks = [t for t in (0.5, 1, 2, 5, 10, 20, 50, 100, 200, 500, 1000) if flows.min() / 2 <= t <= flows.max() * 2]
    axes.set_xticks(ticks, [f"{tick:g}" for tick in ticks])
    axes.set_xticks([], minor=True)


def air_agreement(drive: DriveData) -> Picture:
    """Metered air over the air that pressure, temperature and speed say, at every region that was driven."""
    name, title = "air_agreement", "Metered air against speed-density air"
    baseline = drive.diagnosis.assessment.finding.compared_with
    against = "the baseline drive's" if baseline else "the engine's assumed"
    caption = (
        "Speed-density air follows from pressure, temperature and engine speed (Heywood 1988, eq. 2.27) with "
        f"{against} volumetric efficiency. On the line both agree; a meter that reads low lies below it. "
        "The grey band is ±12 %, within which an assumed efficiency can tell nothing."
    )
    points = drive.diagnosis.assessment.finding.points
    at = points.of("ratio")
    if not at.any():
        lost = drive.missing("mass_air_flow", "manifold_pressure", "engine_speed")
        why = f"Not in the data: {', '.join(lost)}." if lost else "No settled driving in which both are known."
        return lacking(name, title, caption, why)
    ratio, metered = points.value[at], points.air[at]
    density = metered / ratio
    alt = (
        f"{len(ratio)} regions from {density.min():.1f} to {density.max():.0f} g/s; metered air is "
        f"{100.0 * (np.exp(np.median(np.log(ratio))) - 1.0):+.1f} % away from speed-density air in the middle of them."
    )

    def draw(figure: Figure) -> None:
        left, right = figure.subplots(1, 2, width_ratios=(1.0, 1.25))
        ends = np.array([0.0, 1.05 * max(density.max(), metered.max())])
        left.fill_between(ends, 0.88 * ends, 1.12 * ends, color="#e8ebee", zorder=0)
        left.plot(ends, ends, color=PAGE["rule"], linewidth=0.9, label="both agree")
        left.plot(density, metered, LINES[0][2], color=LINES[0][0], markersize=4, label="seen")
        named(left, "speed-density air, g/s", "metered air, g/s")
        right.axhspan(-12.0, 12.0, color="#e8ebee", zorder=0)
        right.axhline(0.0, color=PAGE["rule"], linewidth=0.9)
        right.plot(metered, 100.0 * (ratio - 1.0), LINES[0][2], color=LINES[0][0], markersize=4)
        right.set_xscale("log")
        plain_ticks(right, metered)
        named(right, "metered air, g/s (logarithmic)", "metered over speed-density, %")
        legend(figure, left)

    return Picture(name, title, caption, alt, draw, 2.9)
