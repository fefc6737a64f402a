"""Boost and pulls in pictures: boost against its command in each pull, and all pulls on one another.

Curves of pulls come in; `Picture`s go out.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from math import isnan
from typing import TYPE_CHECKING

import numpy as np

from livewatch.diagnosis.pull_curves import CURVES, REPEATED, Column, PullCurve, repeatability
from livewatch.report.drive_data import DriveData
from livewatch.report.palette import LINES, PAGE
from livewatch.report.plots.picture import Picture, beside, lacking, legend, named, rows_of, shade

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["boost_in_pulls", "dyno_power", "pulls_overlaid"]

MOST = 8
"""Pulls of one picture; the later ones."""
NO_PULL = "No full-pedal pull was made in this drive."


def boost_in_pulls(drive: DriveData) -> Picture:
    """Boost and its command over time, a panel a pull."""
    name, title = "boost_in_pulls", "Boost against its command, pull by pull"
    caption = (
        "Pressure before the throttle, and what the engine computer asked for. Above the line of the command is "
        "overshoot or creep, below it boost that falls short."
    )
    pulls = drive.diagnosis.pulls[-MOST:]
    if not pulls:
        return lacking(name, title, caption, NO_PULL)
    engine = drive.diagnosis.profile.engine
    if engine is not None and engine.induction == "naturally_aspirated":
        return lacking(name, title, caption, "This engine has no boost.")
    boost = next((one for one in ("boost_pressure", "manifold_pressure") if drive.has(one)), None)
    if boost is None:
        return lacking(name, title, caption, "Not in the data: boost pressure, manifold pressure.")
    commanded = drive.has("commanded_boost_pressure")
    said = []
    for pull in pulls:
        words = f"Pull {pull.number}, {pull.from_speed:.0f} to {pull.to_speed:.0f} rpm"
        response = pull.response
        if response is not None and not isnan(response.overshoot):
            words += f": overshoot {response.overshoot:.0f} kPa"
        if response is not None and not isnan(response.steady_error):
            words += f", then {response.steady_error:+.0f} kPa from the command"
        said.append(words + ".")
    if not commanded:
        caption += " The commanded boost is not in the data: whether boost is right cannot be seen here."

    def draw(figure: Figure) -> None:
        panels = beside(figure, len(pulls), "s since the pedal went down", sharex=True, sharey=True)
        for panel, pull in zip(panels, pulls, strict=True):
            start = pull.start / 1e9
            part = drive.between(start, pull.stop / 1e9)
            time = drive.time[part] - start
            panel.plot(time, drive.table[boost][part], label=boost.replace("_", " "), **shade(0))
            if commanded:
                panel.plot(time, drive.table["commanded_boost_pressure"][part], label="commanded", **shade(1))
            named(panel, "", "" if panel in panels[1::2] else "kPa absolute", f"pull {pull.number}")
        legend(figure, panels)

    return Picture(name, title, caption, " ".join(said), draw, 0.9 + 1.4 * rows_of(len(pulls)))


def pulls_overlaid(sessions: Mapping[str, Sequence[PullCurve]], quantities: Iterable[str] = CURVES) -> Picture:
    """All pulls of one drive or several on one another, over engine speed; `sessions` by what they are called."""
    name, title = "pulls_overlaid", "All pulls on one another"
    caption = (
        "Each line is one full-pedal pull over engine speed. What repeats lies on itself; what drifts or "
        "heats up fans out."
    )
    curves = [curve for some in sessions.values() for curve in some]
    if not curves:
        return lacking(name, title, caption, NO_PULL)
    known = [one for one in quantities if one != "commanded" and any(curve.has(one) for curve in curves)]
    if not known:
        return lacking(name, title, caption, "The data has pulls, but no channel to draw them by.")
    alt = f"{len(curves)} pulls over engine speed from {min(c.speed[0] for c in curves):.0f} to "
    alt += f"{max(c.speed[-1] for c in curves):.0f} rpm: {', '.join(CURVES[one][0] for one in known)}."
    for one in (one for one in known if one in REPEATED):
        far = repeatability(curves, one)
        if far is not None:
            alt += (
                f" {CURVES[one][0][:1].upper()}{CURVES[one][0][1:]} differs by {far.deviation:.1f} % (standard "
                "deviation)."
            )

    def draw(figure: Figure) -> None:
        panels = beside(figure, len(known), "engine speed, rpm", sharex=True)
        for panel, one in zip(panels, known, strict=True):
            _overlay(panel, sessions, one)
            words, unit = CURVES[one]
            if unit == "1":
                _not_too_near(panel, 0.1)
            named(panel, "", "ratio" if unit == "1" else unit.replace("*", "·"), words)
        legend(figure, panels)

    return Picture(name, title, caption, alt, draw, 0.9 + 1.4 * rows_of(len(known)))


def _not_too_near(panel: Axes, span: float) -> None:
    """At least `span` of the scale up, so that noise of a thousandth does not look like a mountain."""
    low, high = panel.get_ylim()
    more = max(0.0, span - (high - low)) / 2.0
    panel.set_ylim(low - more, high + more)


def _overlay(panel: Axes, sessions: Mapping[str, Sequence[PullCurve]], quantity: str) -> None:
    number = 0
    for place, (called, curves) in enumerate(sessions.items()):
        for curve in curves:
            style = shade(number if len(sessions) == 1 else place)
            label = f"pull {curve.number}" if len(sessions) == 1 else called
            if len(sessions) == 1 and len(curves) > len(LINES):
                style, label = {"color": LINES[0][0], "alpha": 0.35}, f"each of {len(curves)} pulls"
            panel.plot(curve.speed, curve.value[quantity], label=label, **style)
            if quantity == "boost" and curve.has("commanded"):
                panel.plot(
                    curve.speed, curve.value["commanded"], color=PAGE["rule"], linewidth=0.8, label="commanded boost"
                )
            number += 1


def _mean(quantity: str, grid: Column, curves: Sequence[PullCurve]) -> Column:
    """The mean of the pulls where most of them are: where one ends before the others, the mean would have a step."""
    known = [curve for curve in curves if curve.has(quantity)]
    table = np.array([np.interp(grid, one.speed, one.value[quantity], left=np.nan, right=np.nan) for one in known])
    count = (~np.isnan(table)).sum(axis=0)
    return np.where(count == count.max(), np.nansum(table, axis=0) / np.maximum(count, 1), np.nan)


def dyno_power(curves: Sequence[PullCurve]) -> Picture:
    """Torque and power at the dynamometer as measured, and power after each standard."""
    name, title = "dyno_power", "Torque and power at the dynamometer"
    caption = (
        "Thin lines are the pulls as measured, thick ones their mean; the factors take the mean to the standard air of "
        "SAE J1349 and ISO 1585 (25 °C, 99 kPa dry). Both are meant for engines whose air grows and falls with the "
        "barometer: one that holds its boost makes nearly the same power in any air, and the factor then says too much "
        "or too little."
    )
    some = [curve for curve in curves if curve.has("torque") or curve.has("power")]
    if not some:
        return lacking(name, title, caption, "Not in the data: torque, power (a dynamometer's channels), or no pull.")
    grid = np.arange(min(c.speed[0] for c in some), max(c.speed[-1] for c in some) + 1e-9, 100.0)
    mean = {one: _mean(one, grid, some) for one in ("torque", "power") if any(c.has(one) for c in some)}
    alt = ", ".join(
        f"most {one} {np.nanmax(column):.0f} {CURVES[one][1]} at {grid[int(np.nanargmax(column))]:.0f} rpm"
        for one, column in mean.items()
    )
    factors = {
        standard: float(np.mean([one.factor for c in some for one in c.corrections if one.standard == standard]))
        for standard in dict.fromkeys(one.standard for c in some for one in c.corrections)
    }
    alt = f"{len(some)} pulls, mean as measured: {alt}." + "".join(
        f" {standard}: factor {factor:.3f}." for standard, factor in factors.items()
    )
    if not factors:
        caption += " No weather in the data: nothing is corrected."

    def draw(figure: Figure) -> None:
        panels = beside(figure, len(mean), "engine speed, rpm")
        for panel, (one, column) in zip(panels, mean.items(), strict=True):
            for curve in some:
                panel.plot(curve.speed, curve.value[one], color=PAGE["rule"], linewidth=0.7, label="each pull")
            panel.plot(grid, column, label="mean, as measured", **{**shade(0), "linewidth": 2.0})
            for number, (standard, factor) in enumerate(factors.items(), 1):
                panel.plot(grid, factor * column, label=f"mean after {standard} (× {factor:.3f})", **shade(number))
            named(panel, "", f"{one}, {CURVES[one][1].replace('*', '·')}")
        legend(figure, panels)

    return Picture(name, title, caption, alt, draw, 3.3)
