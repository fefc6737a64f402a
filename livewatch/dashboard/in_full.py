"""Everything the views say, in full: for what had no room, and for names and notes as long as their writers liked.

A picture and how it is looked at come in; headed paragraphs come out.
"""

from __future__ import annotations

import math

from livewatch.alarms import AlarmState
from livewatch.dashboard.headline import alarm_facts, state_word
from livewatch.dashboard.look import Look
from livewatch.dashboard.naming import alarm_label, channel_label
from livewatch.dashboard.picture import Picture
from livewatch.dashboard.widgets.event_list import current, moment
from livewatch.dashboard.widgets.lead_up import event_text, event_titles
from livewatch.data.events import EventKind
from livewatch.wording.events import MARKS, clock_text

__all__ = ["in_full"]

Part = tuple[str, list[str]]
"""A heading, and what stands below it."""


def in_full(picture: Picture, look: Look, bench: bool = False) -> list[Part]:
    """The parts, most urgent first, empty ones left out; on the bench the selected event comes first."""
    parts = [_event(look)] if bench else []
    line = look.headline
    now = [f"{line.shape} {line.word}  {line.action}".strip(), f"{line.reason} {line.more}".strip()]
    parts.append((f"Now, at {clock_text(picture.time / 1e9)}", now))
    parts.append(("Alarms", [_alarm(alarm, picture, look) for alarm in (*picture.announced, *picture.hidden)]))
    parts.append(("Trouble", list(picture.trouble)))
    parts.append(("So far", _verdict(picture)))
    parts.append(("Figures", _figures(picture, look)))
    parts.append(("Corrections", _corrections(picture, look)))
    parts.append(("Pulls", _pulls(picture, look)))
    parts.append(("Source", _source(picture, look)))
    return [(title, kept) for title, said in parts if (kept := [text for text in said if text])]


def _event(look: Look) -> Part:
    if not look.events:
        return "Selected event", []
    event = look.events[current(look)]
    said = [f"{clock_text(moment(event) / 1e9)}  {event_titles(event)[0]}"]
    if event.kind is EventKind.ALARM:
        said += [str(event.detail.get(key, "")) for key in ("setpoint", "action", "reason")]
    else:
        said.append(event_text(event))
    return "Selected event", said


def _alarm(alarm: AlarmState, picture: Picture, look: Look) -> str:
    since = clock_text((alarm.raised_at if alarm.raised_at is not None else alarm.since) / 1e9)
    first_out = ", first out" if alarm.first_out else ""
    lost = ", cannot be judged" if alarm.cannot_judge else ""
    told = [
        f"{MARKS[alarm.priority]} {alarm.priority}  {alarm_label(alarm.name)}{first_out}: {state_word(alarm)}{lost}",
        f"since {since}",
        alarm.message,
        alarm_facts(alarm, picture, look.units),
        f"limit {alarm.setpoint}" if alarm.setpoint else "",
        alarm.reason,
        alarm.action,
    ]
    return ". ".join(text.rstrip(".") for text in told if text) + "."


def _verdict(picture: Picture) -> list[str]:
    verdict = picture.verdict
    seen = f", seen {verdict.coverage * 100:.0f} % of the range" if math.isfinite(verdict.coverage) else ""
    said = [f"{verdict.word}{seen}. {verdict.sentence}"]
    for cause in verdict.causes:
        share = f"{cause.weight * 100:.0f} %  " if math.isfinite(cause.weight) else ""
        said.append(f"{share}{cause.title}{': ' if cause.size else ''}{cause.size}")
    said.append(f"Next: {verdict.next_drive}" if verdict.next_drive else "")
    return said + [f"Cannot be known: {text}" for text in verdict.unable]


def _figures(picture: Picture, look: Look) -> list[str]:
    said = []
    for name in picture.profile.figures:
        reading = picture.reading(name)
        value = look.units.text(reading.value, reading.unit, name) if reading.good else reading.quality.word
        said.append(f"{channel_label(name, picture.profile)}: {value}")
    return said


def _corrections(picture: Picture, look: Look) -> list[str]:
    said = []
    for use in picture.authority:
        used = f", {use.used * 100:.0f} % of its limit" if math.isfinite(use.used) else ""
        pinned = f", {use.pinned:.1f} s at its limit" if use.pinned >= 0.1 else ""
        ends = [look.units.text(end, use.unit, use.name) for end in (*use.everyday, use.low, use.high)]
        spans = f"everyday {ends[0]} to {ends[1]}, limit {ends[2]} to {ends[3]}"
        said.append(f"{use.label}: {look.units.text(use.value, use.unit, use.name)}{used}{pinned}; {spans}")
    return said


def _pulls(picture: Picture, look: Look) -> list[str]:
    said = []
    for pull in picture.pulls:
        peaks = ", ".join(f"{label} {look.units.text(value, unit, name)}" for label, value, unit, name in pull.peaks)
        remark = f" ({pull.remark})" if pull.remark else ""
        said.append(f"{pull.number}  at {clock_text(pull.start / 1e9)}{remark}: {peaks}")
    return said


def _source(picture: Picture, look: Look) -> list[str]:
    said = [picture.profile.name]
    for bus in picture.buses:
        trouble = f", {bus.trouble}" if bus.trouble else ""
        said.append(
            f"{bus.name}: {bus.state}, {bus.rate:.0f} frames/s, {bus.error_frames} error frames, "
            f"{bus.dropped} dropped{trouble}"
        )
    said += [picture.recording, f"{picture.rows} rows"]
    said += [f"{number} {kind}" for kind, number in sorted(picture.counts.items(), key=lambda item: -item[1])]
    if look.player is not None and look.player.problem:
        said.append(look.player.problem)
    return said
