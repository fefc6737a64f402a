"""Everything the views say, in full: for what had no room, and for names and notes as long as their writers liked.

A snapshot and how it is looked at come in; headed paragraphs come out.
"""

from __future__ import annotations

import math

from livewatch.alarms import AlarmState
from livewatch.dashboard.content.alarms import alarm_facts
from livewatch.dashboard.content.events import event_text, event_titles, moment, selected_event
from livewatch.dashboard.content.snapshot import Snapshot
from livewatch.dashboard.content.view_state import ViewState
from livewatch.data.channels import in_words
from livewatch.data.events import AlarmChanged
from livewatch.wording.alarms import state_word
from livewatch.wording.car import rate_words
from livewatch.wording.events import MARKS, clock_text
from livewatch.wording.names import channel_label

__all__ = ["full_text"]

Part = tuple[str, list[str]]
"""A heading, and what stands below it."""


def full_text(snapshot: Snapshot, view: ViewState, bench: bool = False) -> list[Part]:
    """The parts, most urgent first, empty ones left out; on the bench the selected event comes first."""
    parts = [_event(view)] if bench else []
    line = view.headline
    now = [f"{line.shape} {line.word}  {line.action}".strip(), f"{line.reason} {line.more}".strip()]
    parts.append((f"Now, at {clock_text(snapshot.time / 1e9)}", now))
    parts.append(("Alarms", [_alarm(alarm, snapshot, view) for alarm in (*snapshot.announced, *snapshot.hidden)]))
    parts.append(("Trouble", list(snapshot.trouble)))
    parts.append(("So far", _verdict(snapshot)))
    parts.append(("Fault codes of the car", list(snapshot.verdict.codes)))
    parts.append(("Figures", _figures(snapshot, view)))
    parts.append(("Corrections", _corrections(snapshot, view)))
    parts.append(("Pulls", _pulls(snapshot, view)))
    parts.append(("Source", _source(snapshot, view)))
    return [(title, kept) for title, said in parts if (kept := [text for text in said if text])]


def _event(view: ViewState) -> Part:
    if not view.events:
        return "Selected event", []
    event = view.events[selected_event(view)]
    said = [f"{clock_text(moment(event) / 1e9)}  {event_titles(event)[0]}"]
    if isinstance(event, AlarmChanged):
        said += [event.setpoint, event.action, event.reason or ""]
    else:
        said.append(event_text(event))
    return "Selected event", said


def _alarm(alarm: AlarmState, snapshot: Snapshot, view: ViewState) -> str:
    since = clock_text((alarm.raised_at if alarm.raised_at is not None else alarm.since) / 1e9)
    first_out = ", first out" if alarm.first_out else ""
    lost = ", cannot be judged" if alarm.cannot_judge else ""
    told = [
        f"{MARKS[alarm.priority]} {alarm.priority}  {in_words(alarm.name)}{first_out}: {state_word(alarm)}{lost}",
        f"since {since}",
        alarm.message,
        alarm_facts(alarm, snapshot, view.units)[1],
        f"limit {alarm.setpoint}" if alarm.setpoint.text else "",
        alarm.reason,
        alarm.action,
    ]
    return ". ".join(text.rstrip(".") for text in told if text) + "."


def _verdict(snapshot: Snapshot) -> list[str]:
    verdict = snapshot.verdict
    seen = f", seen {verdict.coverage * 100:.0f} % of the range" if math.isfinite(verdict.coverage) else ""
    said = [f"{verdict.word}{seen}. {verdict.sentence[0]}"]
    for cause in verdict.causes:
        share = f"{cause.weight * 100:.0f} %  " if math.isfinite(cause.weight) else ""
        said.append(share + ": ".join([cause.title[0], *cause.size[:1]]))
    said.append(f"Next: {verdict.next_drive}" if verdict.next_drive else "")
    return said + [f"Cannot be known: {text}" for text in verdict.unable]


def _figures(snapshot: Snapshot, view: ViewState) -> list[str]:
    said = []
    for name in snapshot.profile.figures:
        reading = snapshot.reading(name)
        value = view.units.text(reading.value, reading.unit, name) if reading.good else reading.quality.word
        said.append(f"{channel_label(name, snapshot.profile)}: {value}")
    return said


def _corrections(snapshot: Snapshot, view: ViewState) -> list[str]:
    said = []
    for use in snapshot.authority:
        used = f", {use.used * 100:.0f} % of its limit" if math.isfinite(use.used) else ""
        pinned = f", {use.pinned:.1f} s at its limit" if use.pinned >= 0.1 else ""
        ends = [view.units.text(end, use.unit, use.name) for end in (*use.everyday, use.low, use.high)]
        spans = f"everyday {ends[0]} to {ends[1]}, limit {ends[2]} to {ends[3]}"
        said.append(f"{use.label}: {view.units.text(use.value, use.unit, use.name)}{used}{pinned}; {spans}")
    return said


def _pulls(snapshot: Snapshot, view: ViewState) -> list[str]:
    said = []
    for pull in snapshot.pulls:
        peaks = ", ".join(f"{label} {view.units.text(value, unit, name)}" for label, value, unit, name in pull.peaks)
        remark = f" ({pull.remark})" if pull.remark else ""
        said.append(f"{pull.number}  at {clock_text(pull.start / 1e9)}{remark}: {peaks}")
    return said


def _source(snapshot: Snapshot, view: ViewState) -> list[str]:
    said = [snapshot.profile.name]
    for bus in snapshot.buses:
        trouble = f", {bus.trouble}" if bus.trouble else ""
        said.append(
            f"{bus.name}: {bus.state}, {bus.rate:.0f} frames/s, {bus.error_frames} error frames, "
            f"{bus.dropped} dropped{trouble}"
        )
    for name, rate in snapshot.asked.items():
        said.append(f"asked for {channel_label(name, snapshot.profile)}: {rate_words(rate)}")
    said += [*snapshot.recording[:1], f"{snapshot.rows} rows"]
    said += [f"{number} {kind}" for kind, number in sorted(snapshot.counts.items(), key=lambda item: -item[1])]
    if view.player is not None and view.player.problem:
        said.append(view.player.problem)
    return said
