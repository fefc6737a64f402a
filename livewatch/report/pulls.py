"""Pulls of one drive or several on one another, ready to be laid out.

Diagnoses come in; a `PullsPage` goes out: a row a pull, how well they repeat, power after the standards, and pictures.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from math import isnan
from typing import Any

import numpy as np

from livewatch.diagnosis.diagnosis import Diagnosis
from livewatch.diagnosis.pull_curves import CURVES, REPEATED, PullCurve, pull_curves, repeatability
from livewatch.report.comparison import called
from livewatch.report.drive_data import DriveData
from livewatch.report.plots.boost import dyno_power, pulls_overlaid
from livewatch.report.plots.picture import Picture
from livewatch.report.report import Row

__all__ = ["PullsPage", "pulls_page"]


@dataclass(frozen=True, slots=True)
class PullsPage:
    """The pulls by what their drives are called; `unread`, of which drives it is the wrong profile, in sentences;
    `pictures`, empty where none were wanted."""

    sessions: Mapping[str, Sequence[PullCurve]]
    unread: tuple[str, ...]
    pictures: tuple[Picture, ...]

    heads = (
        "pull",
        "engine speed",
        "most boost",
        "leanest",
        "most air",
        "most torque",
        "most power",
        "corrected power",
    )

    @property
    def rows(self) -> list[Row]:
        """A row a pull."""
        return [
            Row(f"{name}, {curve.number}" if len(self.sessions) > 1 else str(curve.number), tuple(_cells(curve)))
            for name, curves in self.sessions.items()
            for curve in curves
        ]

    @property
    def lines(self) -> list[str]:
        """What was not read, how well they repeat, where the air of the corrections comes from, in sentences."""
        return [*self.unread, *self._repeat(), *self._air()]

    def _repeat(self) -> Iterator[str]:
        everything = [curve for curves in self.sessions.values() for curve in curves]
        for quantity in REPEATED:
            found = repeatability(everything, quantity)
            if found is not None:
                yield (
                    f"{CURVES[quantity][0]}: standard deviation {found.deviation:.1f} % between {found.pulls} pulls "
                    f"from {found.speeds[0]:.0f} to {found.speeds[1]:.0f} rpm; two stay within {found.limit:.1f} % "
                    "of each other 95 times of 100 (ISO 5725)"
                )

    def _air(self) -> Iterator[str]:
        for name, curves in self.sessions.items():
            some = [curve for curve in curves if curve.corrections]
            if some:
                outside = any(not one.is_within for curve in some for one in curve.corrections)
                yield f"{name}: corrected from {some[0].air_from}" + (
                    "; the air was outside of what a standard is meant for" if outside else ""
                )

    def to_json(self) -> dict[str, Any]:
        """Plain data, format version 1."""
        everything = [curve for curves in self.sessions.values() for curve in curves]
        found = (repeatability(everything, quantity) for quantity in REPEATED)
        return {
            "pulls": 1,
            "sessions": [
                {"source": name, "pulls": [one.to_json() for one in curves]} for name, curves in self.sessions.items()
            ],
            "repeatability": [one.to_json() for one in found if one is not None],
            "unread": list(self.unread),
        }


def _cells(curve: PullCurve) -> Iterator[str]:
    yield f"{curve.speed[0]:.0f} to {curve.speed[-1]:.0f} rpm"
    for name, form in (("boost", "{:.0f} kPa"), ("lambda_ratio", "{:.3f} of command"), ("air", "{:.0f} g/s")):
        yield _most(curve, name, form)
    yield _most(curve, "torque", "{:.0f} N·m")
    yield _most(curve, "power", "{:.1f} kW")
    power = float(np.nanmax(curve.value["power"])) if curve.has("power") else float("nan")
    said = [
        f"{one.standard} {one.factor * power:.1f} kW (× {one.factor:.3f}{_OUT[not one.is_within]})"
        for one in curve.corrections
        if not isnan(power)
    ]
    yield "; ".join(said) or "unknown"


_OUT = ("", ", out of its range")


def _most(curve: PullCurve, name: str, form: str) -> str:
    return form.format(float(np.nanmax(curve.value[name]))) if curve.has(name) else "unknown"


def pulls_page(drives: Sequence[Diagnosis]) -> PullsPage:
    """The pulls of `drives`, whose recordings are read once more."""
    sessions = {
        name: pull_curves(DriveData.of(drive).table, drive.pulls)
        for name, drive in zip(called(drives), drives, strict=True)
    }
    named = zip(sessions, drives, strict=True)
    unread = tuple(f"{name}: {drive.wrong_profile}" for name, drive in named if drive.wrong_profile)
    everything = [curve for curves in sessions.values() for curve in curves]
    return PullsPage(sessions, unread, (pulls_overlaid(sessions), dyno_power(everything)))
