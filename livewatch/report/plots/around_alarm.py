"""The minute around each critical alarm: what it was raised by, and what the engine did then.

An alarm's spell and the channels come in; a `Picture` goes out.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import groupby
from typing import TYPE_CHECKING

import numpy as np

from livewatch.alarms.spells import AlarmSpell
from livewatch.data.channels import in_words
from livewatch.report.drive_data import Column, DriveData
from livewatch.report.palette import PAGE
from livewatch.report.plots.picture import Picture, lacking, named, shade
from livewatch.wording.events import clock_text
from livewatch.wording.names import channel_label

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["alarm_pictures"]

BEFORE, AFTER = 30.0, 30.0
"""s."""
MOST = 6
"""Pictures; further alarms are in the table."""
LEANEST = 1.5
"""The most of a lambda that is drawn: an overrun reads as air."""
USUAL: tuple[tuple[str, ...], ...] = (
    ("lambda_1", "lambda_2", "commanded_lambda"),
    ("boost_pressure", "commanded_boost_pressure", "manifold_pressure"),
    ("engine_speed",),
    ("accelerator_pedal_position", "throttle_position"),
)
"""Channels that every alarm is shown with, by panel."""


def alarm_pictures(drive: DriveData) -> list[Picture]:
    """A picture for each critical alarm; those raised within the same ten seconds share one. Where there was none, a
    sentence."""
    critical = [spell for spell in drive.diagnosis.alarms if spell.priority == "critical"]
    caption = "From half a minute before the alarm to half a minute after. The grey band is the time it stood."
    if not critical:
        return [lacking("alarms", "The minute around each critical alarm", caption, "No critical alarm was raised.")]
    groups = [list(some) for _, some in groupby(critical, key=lambda spell: int(spell.start // 10.0))]
    if not drive.table:
        return [
            lacking(
                "alarms", "The minute around each critical alarm", caption, "No channel of the alarm is in the data."
            )
        ]
    return [_picture(drive, number, some, caption) for number, some in enumerate(groups[:MOST], 1)]


def _picture(drive: DriveData, number: int, spells: list[AlarmSpell], caption: str) -> Picture:
    first = spells[0]
    names = " and ".join(dict.fromkeys(in_words(spell.alarm) for spell in spells))
    title = f"{names}, at {clock_text(first.start)}"
    part = drive.between(first.start - BEFORE, first.start + AFTER)
    time = drive.time[part] - first.start
    panels = list(_panels(drive, spells, part))
    setpoints = "; ".join(dict.fromkeys(spell.setpoint for spell in spells if spell.setpoint))
    lasted = ", ".join("stood to the end" if s.end is None else f"stood {s.end - s.start:.1f} s" for s in spells)
    alt = f"{names}: set point {setpoints or 'unknown'}; {lasted}. Shown: "
    alt += ", ".join(channel_label(one, drive.diagnosis.profile) for _, shown in panels for one in shown) + "."
    if not panels:
        return lacking(
            f"alarm_{number}", title, caption, "None of the channels of this alarm has a value in this minute."
        )

    def draw(figure: Figure) -> None:
        axes = np.atleast_1d(figure.subplots(len(panels), 1, sharex=True))
        for panel, (unit, shown) in zip(axes, panels, strict=True):
            for spell in spells:
                end = spell.end if spell.end is not None else first.start + AFTER
                panel.axvspan(spell.start - first.start, min(end - first.start, AFTER), color="#dfe3e8", zorder=0)
                panel.axvline(spell.start - first.start, color=PAGE["wrong"], linewidth=1.2, zorder=1)
            for place, (one, column) in enumerate(shown.items()):
                panel.plot(time, column, label=channel_label(one, drive.diagnosis.profile), **shade(place))
            panel.set_ylabel(unit)
            if any("lambda" in one for one in shown):
                panel.set_ylim(max(panel.get_ylim()[0], 0.6), min(panel.get_ylim()[1], LEANEST))
            panel.legend(loc="lower left", bbox_to_anchor=(0.0, 0.97), fontsize=7.5, ncols=3, borderaxespad=0.0)
            panel.set_xlim(-BEFORE, AFTER)
        named(axes[-1], "s before and after the alarm", panels[-1][0])

    return Picture(f"alarm_{number}", title, f"{caption} Set point: {setpoints}.", alt, draw, 0.5 + 0.84 * len(panels))


def _panels(drive: DriveData, spells: list[AlarmSpell], part: slice) -> Iterator[tuple[str, dict[str, Column]]]:
    """Unit and columns of each panel: what the alarm was judged by, then the usual ones."""
    units, shown = drive.table.units, set[str]()
    facts = dict.fromkeys(
        fact.channel
        for spell in spells
        for fact in spell.because
        if not (fact.unit == "1" and fact.value in (0, 1))  # a condition that only had to hold
    )
    usual = {one for some in USUAL for one in some}
    judged = [(one,) for one in facts if one not in usual][:2]
    for names in (*judged, *USUAL):
        there = {
            one: drive.table[one][part]
            for one in names
            if one in drive.table and one not in shown and not np.isnan(drive.table[one][part]).all()
        }
        shown |= set(there)
        if there:
            unit = units[next(iter(there))].replace("*", "·")
            yield "ratio" if unit == "1" else unit, there
