"""What is told of alarms: which of them, the figures behind each, how it stands."""

from __future__ import annotations

import math

from livewatch.alarms import AlarmState, State
from livewatch.dashboard.content.related_channels import commanded_for, watched_by
from livewatch.dashboard.content.snapshot import Snapshot
from livewatch.profile.formula.formula import SetPoint
from livewatch.wording.alarms import state_word
from livewatch.wording.events import clock_text
from livewatch.wording.names import short_label
from livewatch.wording.reader_units import ReaderUnits

__all__ = ["OVER", "alarm_facts", "alarm_on", "rows_of", "selected_alarm", "standing_text"]

OVER = frozenset({State.RETURNED, State.LATCHED_UNACKNOWLEDGED, State.LATCHED_ACKNOWLEDGED})
"""States in which the condition does not hold any more."""


def alarm_facts(alarm: AlarmState, snapshot: Snapshot, units: ReaderUnits) -> tuple[str, str]:
    """The figures behind an alarm: what is measured with what is wanted, and the same with the limit where it has one;
    both empty without evidence. Of an alarm that is over they are how it is now."""
    profile = snapshot.profile
    name = alarm.channel
    if not name:
        return "", ""
    row = profile.index.get(name)
    formula = None if row is None else profile.channels[row].formula
    if formula is not None:
        # A share or a difference says less than what was measured beside what was wanted.
        measured = [one for one in formula.inputs if commanded_for(one, profile) in formula.inputs]
        name = measured[0] if measured else name
    reading = snapshot.reading(name)
    wanted = commanded_for(name, profile)
    over = "now " if alarm.state in OVER else ""
    text = f"{over}{short_label(name, profile)} {units.text(reading.value, reading.unit, name)}"
    if wanted is not None and math.isfinite(value := snapshot.reading(wanted).value):
        text += f", wanted {units.text(value, snapshot.reading(wanted).unit, wanted)}"
    elif name == alarm.channel and (limit := _limit_text(alarm.setpoint, name, units)):
        return text, f"{text}, limit {limit}"
    return text, text


def _limit_text(setpoint: SetPoint, channel: str, units: ReaderUnits) -> str:
    """What the channel is compared with, in the reader's unit; all of the set point where it is no such comparison, and
    nothing where the channel itself is the condition."""
    if setpoint.measured == channel and setpoint.limit is not None:
        number = f"{units.number(setpoint.limit, setpoint.unit, channel):.6g}"
        return f"{setpoint.comparison} {number} {units.spelt(setpoint.unit, channel)}".strip()
    return "" if setpoint.text == channel else setpoint.text


def standing_text(alarm: AlarmState, snapshot: Snapshot, short: bool) -> str:
    state = state_word(alarm, short)
    if alarm.state is State.SHELVED and alarm.shelved_until is not None:
        left = max(0.0, (alarm.shelved_until - snapshot.time) / 1e9)
        state = f"shelved, {clock_text(left).partition('.')[0]} left"
    return f"{state}, cannot be judged" if alarm.cannot_judge else state


def selected_alarm(snapshot: Snapshot, chosen: str) -> str:
    """The alarm that a key acts on: the one chosen, else the most urgent; empty when there is none."""
    names = [alarm.name for alarm in (*snapshot.announced, *snapshot.hidden)]
    if chosen in names:
        return chosen
    return names[0] if names else ""


def rows_of(snapshot: Snapshot, chosen: str, height: int) -> list[AlarmState]:
    """The alarms shown in so many rows: announced before hidden, and the selected one always among them."""
    alarms = [*snapshot.announced, *snapshot.hidden]
    rows = alarms[:height]
    selected = selected_alarm(snapshot, chosen)
    if rows and selected not in [alarm.name for alarm in rows]:
        rows[-1] = next(alarm for alarm in alarms if alarm.name == selected)
    return rows


def alarm_on(name: str, snapshot: Snapshot) -> AlarmState | None:
    """The most urgent announced alarm whose condition still holds and that this channel is the subject of."""
    for alarm in snapshot.announced:
        standing = alarm.state.value in ("unacknowledged alarm", "acknowledged alarm")
        if standing and alarm.channel and watched_by(name, snapshot.profile, alarm.channel):
            return alarm
    return None
