"""What is told of events: where each belongs in time, what it is called, and the seconds before it."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Sequence

from livewatch.alarms.spells import AlarmSpell, SpellBook
from livewatch.dashboard.content.related_channels import watched_by
from livewatch.dashboard.content.view_state import ViewState
from livewatch.data.events import AlarmChanged, AlarmFlood, Event, MarkerSet, NoteWritten, PullEnded, SecondsBefore
from livewatch.profile.model import Profile
from livewatch.wording.alarms import SHORT_STATES
from livewatch.wording.events import particulars, sentence
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


def moment(event: Event) -> int:
    """The data time an event belongs to, ns: a note's is where it was pinned."""
    return round(event.at * 1e9) if isinstance(event, NoteWritten | MarkerSet) else event.time


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
        if isinstance(event, AlarmFlood):
            return event.what != "ended"
    return False


def event_words(event: Event) -> tuple[str, ...]:
    """What happened in one line, the fullest wording first."""
    name = event.subject.replace("_", " ")
    if not isinstance(event, AlarmChanged):
        return (sentence(event, name),)
    if event.raised:
        first_out = " (first out)" if event.first_out else ""
        return tuple(f"{words}{first_out}" for words in alarm_names(event.message, name))
    return sentence(event, name), f"{name}: {SHORT_STATES[event.state]}"


def event_titles(event: Event) -> tuple[str, ...]:
    """What the event is called, the fullest wording first."""
    name = event.subject.replace("_", " ")
    if isinstance(event, AlarmChanged):
        return tuple(f"{words}, {event.priority}" for words in alarm_names(event.message, name))
    return (name if isinstance(event, PullEnded) else f"{event.kind} {name}".strip(),)


def event_text(event: Event) -> str:
    """What else it carries, for an event that is no alarm."""
    return event.text if isinstance(event, NoteWritten | MarkerSet) and event.text else particulars(event)


def event_texts(event: Event) -> tuple[str, ...]:
    """The same, and for a pull, which carries many figures, how far it went."""
    text = event_text(event)
    if not isinstance(event, PullEnded) or event.to_speed is None:
        return (text,)
    went = f"{event.from_speed} to {event.to_speed} rpm in {event.end - event.start:.1f} s"
    return text, f"{went}; all its figures: r"


def telling_channels(event: AlarmChanged, profile: Profile, channels: Iterable[str]) -> list[str]:
    """The channels that made the alarm true, then the profile's figures, as far as the event carries them."""
    names: list[str] = []
    for fact in event.because or ():
        row = profile.index.get(fact.channel)
        formula = None if row is None else profile.channels[row].formula
        names += [fact.channel, *(formula.inputs if formula is not None else ())]
    names += [name for name in profile.figures if not any(watched_by(name, profile, known) for known in names)]
    return [name for name in dict.fromkeys(names) if name in channels]


def lead_up_of(view: ViewState, event: AlarmChanged, profile: Profile) -> SecondsBefore | None:
    """The seconds before an alarm: as its event carries them, else as the history has them."""
    if event.before is not None or view.history is None:
        return event.before
    names = list(profile.index)
    times, values = view.history.window(names, event.time - profile.lead_up, event.time)
    if len(times) < 2:
        return None
    channels = {name: line.tolist() for name, line in zip(names, values, strict=True)}
    return SecondsBefore(view.history.period / 1e9, int(times[-1]) / 1e9, channels)


def lead_up_seconds(before: SecondsBefore) -> float:
    """How many seconds they are."""
    return before.every * max((len(line) for line in before.channels.values()), default=0)


def spells(events: Iterable[Event]) -> list[AlarmSpell]:
    """When each alarm's condition began and ended, in order of their start."""
    book = SpellBook()
    book.observe(events)
    return book.spells


def pinned(events: Iterable[Event]) -> list[NoteWritten | MarkerSet]:
    """Notes and markers, which have a time of their own."""
    return [event for event in events if isinstance(event, NoteWritten | MarkerSet)]
