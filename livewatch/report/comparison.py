"""Drives of one car compared, ready to be laid out: tables, sentences, and pictures of both drives on one another.

`Change`s come in; a `ComparisonPage` goes out.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from livewatch.diagnosis.change import Change, SystemChange
from livewatch.diagnosis.diagnosis import Diagnosis
from livewatch.diagnosis.measures import Measure
from livewatch.diagnosis.pull_curves import PullCurve, pull_curves
from livewatch.report.drive_data import DriveData
from livewatch.report.palette import LINES, PAGE
from livewatch.report.plots.boost import pulls_overlaid
from livewatch.report.plots.fuel import plain_ticks
from livewatch.report.plots.picture import Picture, lacking, legend, named
from livewatch.report.report import Row
from livewatch.wording.change import TURN_SENTENCES, WHOLE_SENTENCES
from livewatch.wording.customer import SYSTEM_NAMES, VERDICT_WORDS

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["ChangePage", "ComparisonPage", "called", "comparison_page"]


@dataclass(frozen=True, slots=True)
class ChangePage:
    """One change in words and tables; `before` and `after` are what the drives are called."""

    change: Change
    before: str
    after: str

    @property
    def whole(self) -> str:
        """How the car turned, in a sentence."""
        return WHOLE_SENTENCES[self.change.turn]

    @property
    def systems(self) -> list[Row]:
        """A row a system."""
        return [self._system(one) for one in self.change.systems]

    def _system(self, one: SystemChange) -> Row:
        main = one.main
        figures = "no figure" if main is None else _figures(main)
        words = f"{one.turn}: {TURN_SENTENCES[one.turn]}"
        before, after = VERDICT_WORDS[one.before], VERDICT_WORDS[one.after]
        return Row(
            SYSTEM_NAMES[one.system],
            (words, before, after, figures),
        )

    @property
    def measures(self) -> list[Row]:
        """A row for everything measured in both."""
        return [
            Row(
                one.before.what,
                (
                    one.before.size, one.after.size, one.difference.size,
                    "yes" if one.moved else "no", f"{one.regions} in both" if one.regions else "none in both",
                ),
            )
            for system in self.change.systems
            for one in system.measures
        ]  # fmt: skip

    @property
    def alarms(self) -> list[Row]:
        """A row an alarm."""
        return [
            Row(f"{one.alarm.replace('_', ' ')}", (one.priority, _times(one.before), _times(one.after), one.turn))
            for one in self.change.alarms
        ]


def _times(number: int) -> str:
    return ("never", "once")[number] if number < 2 else f"{number} times"


def _figures(main: Measure) -> str:
    return f"{main.before.what}: {main.before.value:+.1f} % before, {main.after.value:+.1f} % after"


@dataclass(frozen=True, slots=True)
class ComparisonPage:
    """All changes of a comparison, and `pictures`, empty where none were wanted."""

    changes: tuple[ChangePage, ...]
    pictures: tuple[Picture, ...]

    def to_json(self) -> dict[str, Any]:
        """Plain data, format version 1: `comparisons`, each as `Change.to_json`."""
        return {"comparisons": [one.change.to_json() for one in self.changes]}


def comparison_page(changes: Sequence[Change], drives: Sequence[Diagnosis], draw: bool) -> ComparisonPage:
    """The page of `changes` between `drives`; with pictures if `draw`, for which the recordings are read once more."""
    names = dict(zip(map(id, drives), called(drives), strict=True))
    pages = tuple(ChangePage(one, names[id(one.before)], names[id(one.after)]) for one in changes)
    return ComparisonPage(pages, _pictures(drives, list(names.values())) if draw else ())


def called(drives: Sequence[Diagnosis]) -> list[str]:
    """The name of each, with its number where two have the same."""
    names = [drive.path.resolve().name for drive in drives]
    return [name if names.count(name) == 1 else f"{number}. {name}" for number, name in enumerate(names, 1)]


def _pictures(drives: Sequence[Diagnosis], names: Sequence[str]) -> tuple[Picture, ...]:
    by_name = dict(zip(names, drives, strict=True))
    curves: Mapping[str, Sequence[PullCurve]] = {
        name: pull_curves(DriveData.of(drive).table, drive.pulls) for name, drive in by_name.items()
    }
    return _needs(by_name), pulls_overlaid(curves)


def _needs(drives: Mapping[str, Diagnosis]) -> Picture:
    name, title = "needs_compared", "Fuel need over air flow, all drives"
    caption = "Each mark is one operating region of one drive. Where marks of both drives lie together nothing changed."
    points = {called: drive.assessment.finding.points for called, drive in drives.items()}
    seen = {called: one.of("need_1", "need_2") for called, one in points.items()}
    if not any(at.any() for at in seen.values()):
        return lacking(name, title, caption, "No settled driving with fuel trims in any of the drives.")
    alt = " ".join(
        f"{called}: {at.sum()} points, need {100.0 * (np.median(points[called].value[at]) - 1.0):+.0f} % in the middle."
        for called, at in seen.items()
        if at.any()
    )

    def draw(figure: Figure) -> None:
        axes = figure.subplots()
        axes.axhspan(-6.0, 6.0, color="#e8ebee", zorder=0, label="everyday adaptation, ±6 %")
        axes.axhline(0.0, color=PAGE["rule"], linewidth=0.8)
        for number, (called, at) in enumerate(seen.items()):
            colour, _, mark = LINES[number % len(LINES)]
            one = points[called]
            axes.plot(
                one.air[at], 100.0 * (one.value[at] - 1.0), mark, color=colour, markersize=4.5, label=called,
                markerfacecolor="white" if number % 2 else colour,
            )  # fmt: skip
        axes.set_xscale("log")
        plain_ticks(axes, np.concatenate([points[called].air[at] for called, at in seen.items()]))
        named(axes, "air flow, g/s (logarithmic)", "fuel need, % away from the base")
        legend(figure, axes)

    return Picture(name, title, caption, alt, draw, 3.8)
