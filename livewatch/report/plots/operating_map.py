"""Corrections over the operating map: how much of each controller's authority is used at which speed and air flow.

The authority of a finding comes in; a `Picture` goes out.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import isnan
from typing import TYPE_CHECKING

from livewatch.report.drive_data import DriveData
from livewatch.report.palette import PAGE
from livewatch.report.plots.picture import Picture, beside, lacking, named, rows_of
from livewatch.signature.evidence.authority import AuthorityUse

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["authority_map"]

MOST = 6
DARKEST = 0.45
"""Of the scale of greys, so that the figure on it can be read."""


def authority_map(drive: DriveData) -> Picture:
    """A map for each controller that was in charge, the most used first."""
    name, title = "authority_map", "Corrections over the operating map"
    caption = (
        "Each box is a region of engine speed and air flow; the figure in it is the mean share of the correction's "
        "limit "
        "that was used there, in per cent. Darker is more; a heavy frame marks a correction that reached its limit."
    )
    uses = [use for use in drive.diagnosis.assessment.finding.authority if use.seconds > 0.0 and use.regions]
    if not uses:
        lost = drive.missing("engine_speed", "short_term_fuel_trim_1", "wastegate_duty", "knock_retard")
        why = f"Not in the data: {', '.join(lost)}." if lost else "No correction was in charge anywhere."
        return lacking(name, title, caption, why)
    uses = sorted(uses, key=lambda use: 0.0 if isnan(use.most_used) else -use.most_used)[:MOST]
    alt = " ".join(
        f"{use.label}: {use.least:+.1f} to {use.most:+.1f} {use.unit}, at most {100.0 * use.most_used:.0f} % of its "
        "limit, "
        f"at it for {use.pinned:.0f} s."
        for use in uses
    )

    def draw(figure: Figure) -> None:
        panels = beside(figure, len(uses), "engine speed, rpm (logarithmic)")
        for panel, use in zip(panels, uses, strict=True):
            _panel(panel, use)
            named(panel, "", "" if panel in panels[1::2] else "air flow, g/s (logarithmic)", use.label)

    return Picture(name, title, caption, alt, draw, 0.4 + 1.85 * rows_of(len(uses)))


def _panel(axes: Axes, use: AuthorityUse) -> None:
    import matplotlib
    from matplotlib.patches import Rectangle

    shades = matplotlib.colormaps["Greys"]
    for region in use.regions:
        (left, right), (low, high) = region.speed, region.flow
        share = min(region.mean, 1.0)
        full = region.most >= 0.985
        axes.add_patch(
            Rectangle(
                (left, low), right - left, high - low, facecolor=shades(0.05 + DARKEST * share),
                edgecolor=PAGE["wrong" if full else "rule"], linewidth=1.8 if full else 0.5,
                zorder=3 if full else 2,
            )
        )  # fmt: skip
        figure_in_box = axes.annotate(
            f"{100.0 * region.mean:.0f}", ((left * right) ** 0.5, (low * high) ** 0.5), ha="center", va="center",
            fontsize=6.5, color=PAGE["ink"], zorder=4,
        )  # fmt: skip
        figure_in_box.set_in_layout(False)  # it is within the axes: measuring it would take most of the time
    _limits(axes, [r.speed for r in use.regions], [r.flow for r in use.regions])
    axes.grid(False)


def _limits(axes: Axes, speeds: Sequence[tuple[float, float]], flows: Sequence[tuple[float, float]]) -> None:
    slow, fast = min(s[0] for s in speeds), max(s[1] for s in speeds)
    axes.set_xscale("log")
    axes.set_xlim(slow, fast)
    marks = [mark for mark in (500, 1000, 2000, 4000, 8000) if slow <= mark <= fast]
    axes.set_xticks(marks, [f"{mark}" for mark in marks])
    axes.set_xticks([], minor=True)
    low, high = min(f[0] for f in flows), max(f[1] for f in flows)
    axes.set_yscale("log")
    axes.set_ylim(low, high)
    ticks = [tick for tick in (0.5, 1, 2, 5, 10, 20, 50, 100, 200, 500, 1000) if low <= tick <= high]
    axes.set_yticks(ticks, [f"{tick:g}" for tick in ticks])
    axes.set_yticks([], minor=True)
