"""What is told of events: where each belongs in time, what it is called, and the seconds before it."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from livewatch.alarms.spells import Spell, SpellBook
from livewatch.dashboard.content.related_channels import watched_by
from livewatch.dashboard.content.view_state import ViewState
from livewatch.data.events import Event, EventKind
from livewatch.profile.model import Profile
from livewatch.wording.alarms import SHORT_STATES
from livewatch.wording.events import sentence
from livewatch.wording.shorter import alarm_names

__all__ = [
    "event_text",
    "event_texts",
    "event_titles",
    "event_words",
    "flooding",
    "lead_up_of",
    "lead_up_seconds",
    "moment",
    "pinned",
    "selected_event",
    "spells",
    "telling_channels",
]

STATES = {state.value: word for state, word in SHORT_STATES.items()}


def moment(event: Event) -> int:
    """The data time an event belongs to, ns: a note's is where it was pinned."""
    at: Any = event.detail.get("at")
    return round(at * 1e9) if isinstance(at, int | float) else event.time


def selected_event(view: ViewState) -> int:
    """Position of the selected event: the chosen one, else the last at or before the time looked at."""
    if 0 <= view.event < len(view.events):
        return view.event
    return max(0, before(view.events, view.cursor))


def before(events: Sequence[Event], time: int) -> int:
    """Position of the last event at or before `time`, -1 when there is none. Events are in order of their time."""
    return bisect_right(events, time, key=moment) - 1


def flooding(events: Sequence[Event], time: int) -> bool:
    """Whether at data time `time` more alarms have come than a person can take."""
    for event in reversed(events[: before(events, time) + 1]):
        if event.kind is EventKind.FLOOD:
            return event.detail.get("what") != "ended"
    return False


def event_words(event: Event) -> tuple[str, ...]:
    """What happened in one line, the fullest wording first."""
    name = event.subject.replace("_", " ")
    if event.kind is EventKind.ALARM and event.detail.get("transition") == "raised":
        first_out = " (first out)" if event.detail.get("first_out") else ""
        return tuple(f"{words}{first_out}" for words in alarm_names(event.detail.get("message") or "", name))
    record = {**event.detail, "event": event.kind.value, "subject": name}
    record.setdefault("time", event.time / 1e9)
    said = sentence(record)
    state = STATES.get(event.detail.get("state", "")) if event.kind is EventKind.ALARM else None
    return (said,) if state is None else (said, f"{name}: {state}")


def event_titles(event: Event) -> tuple[str, ...]:
    """What the event is called, the fullest wording first."""
    name = event.subject.replace("_", " ")
    if event.kind is EventKind.ALARM:
        priority = event.detail.get("priority", "")
        return tuple(f"{words}, {priority}" for words in alarm_names(event.detail.get("message") or "", name))
    kind = event.kind.value
    return (name if name.startswith(kind) else f"{kind} {name}".strip(),)


def event_text(event: Event) -> str:
    """What else it carries, for an event that is no alarm."""
    return str(event.detail.get("text", "")) or ", ".join(_pairs(event.detail))


def event_texts(event: Event) -> tuple[str, ...]:
    """The same, and for a pull, which carries many figures, how far it went."""
    text, detail = event_text(event), event.detail
    if event.kind is not EventKind.PULL or not {"start", "end", "from_speed", "to_speed"} <= set(detail):
        return (text,)
    went = f"{detail['from_speed']:.0f} to {detail['to_speed']:.0f} rpm in {detail['end'] - detail['start']:.1f} s"
    return text, f"{went}; all its figures: r"


def telling_channels(event: Event, profile: Profile, channels: Mapping[str, Any]) -> list[str]:
    """The channels that made the alarm true, then the profile's figures, as far as the event carries them."""
    names: list[str] = []
    for fact in event.detail.get("because", ()):
        channel = fact.get("channel", "")
        row = profile.index.get(channel)
        formula = None if row is None else profile.channels[row].formula
        names += [channel, *(formula.inputs if formula is not None else ())]
    names += [name for name in profile.figures if not any(watched_by(name, profile, known) for known in names)]
    return [name for name in dict.fromkeys(names) if name in channels]


def lead_up_of(view: ViewState, event: Event, profile: Profile) -> Mapping[str, Any]:
    """The seconds before an event, as the event itself would carry them."""
    if view.history is None:
        return {}
    names = list(profile.index)
    times, values = view.history.window(names, event.time - profile.lead_up, event.time)
    if len(times) < 2:
        return {}
    every = f"{view.history.period / 1e9:g} s"
    return {"every": every, "channels": {name: line.tolist() for name, line in zip(names, values, strict=True)}}


def lead_up_seconds(before: Mapping[str, Any]) -> float:
    every = float(str(before.get("every", "0.1 s")).split()[0])
    return every * max((len(line) for line in before["channels"].values()), default=0)


def _pairs(detail: Mapping[str, Any]) -> list[str]:
    pairs = []
    for key, value in detail.items():
        if isinstance(value, Mapping):
            pairs += _pairs(value)
        elif not key.endswith("unit") and not isinstance(value, list):
            unit = detail.get(f"{key}_unit", "")
            pairs.append(f"{key.replace('_', ' ')} {value} {unit}".strip())
    return pairs


def spells(events: Iterable[Event]) -> list[Spell]:
    """When each alarm's condition began and ended, in order of their start."""
    book = SpellBook()
    book.take(events)
    return book.spells


def pinned(events: Iterable[Event]) -> list[Event]:
    """Notes and markers, which have a time of their own."""
    return [event for event in events if event.kind in (EventKind.NOTE, EventKind.MARKER) and "at" in event.detail]
