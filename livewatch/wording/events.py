"""Events in words: one line for a person, from one event, without its time. The line display, the event list and the
report use the same words.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import fields
from typing import Any

from livewatch.data.alarm_states import Priority, State
from livewatch.data.events import (
    AlarmChanged,
    AlarmChattered,
    AlarmFlood,
    ClockMoved,
    Event,
    Fact,
    FaultCodesRead,
    Figure,
    FreezeFrameRead,
    IdentityRead,
    MarkerSet,
    NoteWritten,
    OdditiesCounted,
    PullEnded,
    QualityChanged,
    ReadinessRead,
    RunEnded,
    RunStarted,
)
from livewatch.profile.diagnostic_port.fault_codes import code_words

__all__ = ["MARKS", "TONES", "clock_text", "fact_words", "particulars", "sentence", "standing", "tone"]

MARKS: Mapping[str, str] = {"critical": "▲▲", "high": "▲", "medium": "◆", "low": "●"}
"""A shape for each priority, so that it reads without colour."""

TONES: Mapping[Priority, str] = {"critical": "bold red", "high": "red", "medium": "yellow", "low": "cyan"}
"""How rich should style each priority."""

_STANDING: Mapping[tuple[str, State], str] = {
    ("returned to normal", State.RETURNED): "over, not acknowledged",
    ("returned to normal", State.NORMAL): "over",
    ("latched", State.LATCHED_UNACKNOWLEDGED): "over, latched, not acknowledged",
    ("latched", State.LATCHED_ACKNOWLEDGED): "over, latched",
    ("acknowledged", State.NORMAL): "acknowledged, over",
    ("acknowledged", State.LATCHED_ACKNOWLEDGED): "acknowledged, still latched",
}
"""What a transition to a state means, where its name does not say all of it."""


def clock_text(seconds: float) -> str:
    """Data time as `m:ss.ss`, or `h:mm:ss.ss` from an hour on."""
    hundredths = round(seconds * 100)
    minutes, rest = divmod(hundredths, 6000)
    hours, minutes = divmod(minutes, 60)
    tail = f"{rest // 100:02d}.{rest % 100:02d}"
    return f"{hours}:{minutes:02d}:{tail}" if hours else f"{minutes}:{tail}"


def tone(event: Event) -> str:
    """How rich should style the line: quiet unless an alarm was raised."""
    if isinstance(event, AlarmChanged) and event.raised:
        return TONES[event.priority]
    return "bold" if isinstance(event, AlarmFlood | ClockMoved) else "dim"


def sentence(event: Event, name: str = "") -> str:
    """What happened, in one line; `name` is how the subject is called, its own name when empty."""
    subject = name or event.subject
    match event:
        case AlarmChanged():
            return _alarm(event, subject)
        case QualityChanged(what=what):
            return f"{subject}: {what}"
        case OdditiesCounted(counts=counts):
            return "odd so far: " + ", ".join(f"{number} {kind}" for kind, number in counts.items())
        case ClockMoved(what=what, step=step):
            return f"the source's clock {what} by {abs(step):g} s"
        case AlarmFlood(what=what):
            return f"alarm flood {what}"
        case AlarmChattered():
            return f"{subject} is chattering"
        case PullEnded(number=number):
            return f"pull {number} ended"
        case MarkerSet(text=text, at=at) | NoteWritten(text=text, at=at):
            return f"{event.kind} at {clock_text(at)}: {text}"
        case RunStarted(profile=profile):
            return f"started with profile {profile}"
        case RunEnded(rows=rows):
            return f"ended after {rows} rows"
        case FaultCodesRead() | ReadinessRead() | FreezeFrameRead() | IdentityRead():
            return f"control unit {subject}: {_self_knowledge(event)}"
    # A later livewatch, or a hand, wrote something this one has no words for.
    return f"{event.kind} {subject}".strip()


def _self_knowledge(event: FaultCodesRead | ReadinessRead | FreezeFrameRead | IdentityRead) -> str:
    match event:
        case FaultCodesRead(what=what, codes=codes):
            return f"{what} fault codes: {', '.join(map(code_words, codes)) or 'none'}"
        case ReadinessRead(lamp=lamp, stored=stored, unfinished=unfinished):
            waiting = ", ".join(unfinished) if unfinished else "none"
            return f"malfunction lamp {'on' if lamp else 'off'}, {stored} codes stored; not ready: {waiting}"
        case FreezeFrameRead(code=code, values=values):
            kept = ", ".join(_pair(figure.name, figure.value, figure.unit) for figure in values)
            return f"freeze frame of {code_words(code) if code else 'an unknown code'}: {kept or 'empty'}"
        case IdentityRead(what=what, texts=texts):
            mark = " known again by the mark" if what == "vehicle" else ""
            return f"{what}{mark} {', '.join(texts)}"


def standing(event: AlarmChanged) -> str:
    """How an alarm stands after a transition, in words."""
    return _STANDING.get((event.transition, event.state), event.transition)


def fact_words(because: Iterable[Fact]) -> list[str]:
    """What made an alarm true, each as `channel value unit`. Conditions that only had to hold (plain 1 or 0) and what
    is unknown are left out; the first one, which was compared with the set point, never is."""
    said: list[str] = []
    for number, fact in enumerate(because):
        if fact.value is None or (number and fact.unit == "1" and fact.value in (0, 1)):
            continue
        said.append(f"{fact.channel} {fact.value:.4g}" + ("" if fact.unit == "1" else f" {fact.unit}"))
    return said


def particulars(event: Event) -> str:
    """What an event carries besides its sentence, each thing with its name and unit; lists are left out."""
    return ", ".join(_pairs(event, {field.name for field in fields(Event)}))


def _pairs(event: Event, common: set[str]) -> Iterator[str]:
    for field in fields(event):
        value = getattr(event, field.name)
        unit = getattr(event, "unit", "") if field.name == "last" else field.metadata.get("unit", "")
        match value:
            case Mapping():
                yield from (_pair(name, inner, "") for name, inner in value.items())
            case (Figure(), *_):
                yield from (_pair(figure.name, figure.value, figure.unit) for figure in value)
            case _ if value is not None and not isinstance(value, tuple) and field.name not in common | {"unit"}:
                yield _pair(field.name, value, unit)


def _pair(name: str, value: Any, unit: str) -> str:
    said = "unknown" if value is None else "yes" if value is True else "no" if value is False else f"{value} {unit}"
    return f"{name.replace('_', ' ')} {said.removesuffix(' 1')}".strip()


def _alarm(event: AlarmChanged, subject: str) -> str:
    if not event.raised:
        return f"{subject}: {standing(event)}" + (f" ({event.reason})" if event.reason else "")
    first = " [first out]" if event.first_out else ""
    said = f"{MARKS[event.priority]} {event.priority.upper()} {event.message or subject.replace('_', ' ')}{first}"
    return " · ".join(part for part in (said, "; ".join(fact_words(event.because or ())), event.action) if part)
