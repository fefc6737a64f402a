"""Events: what the pipeline has to say, in order of data time, one class a kind.

An event's fields come from the frames alone, so that any cutting of the same frames, live or replayed, gives the same
ones. `event_json` writes an event as one line of `events.jsonl` and reads it back; its fields there have the names they
have here, in this order. Numbers are finite, None is an unknown one. A field marked by `_in` is in the unit named,
which the line says in a field beside it; a field whose default is None is left out of the line when it is None.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from typing import Any, ClassVar, Final, Literal

from livewatch.data.alarm_states import Priority, State

__all__ = [
    "EVENT_KINDS",
    "AlarmChanged",
    "AlarmChattered",
    "AlarmFlood",
    "ClockMoved",
    "Event",
    "Fact",
    "FaultCodesRead",
    "Figure",
    "FreezeFrameRead",
    "IdentityRead",
    "MarkerSet",
    "NoteWritten",
    "OdditiesCounted",
    "Peak",
    "PullEnded",
    "QualityChanged",
    "ReadinessRead",
    "RunEnded",
    "RunStarted",
    "SecondsBefore",
    "UnknownEvent",
    "parse_utc",
    "utc_text",
    "without_lead_up",
]

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def _in(unit: str, beside: str | None = "") -> Mapping[str, str | None]:
    """Of a field in `unit`: the line says so in the field `beside`, in `<field>_unit` when that is empty, nowhere when
    it is None."""
    return {"unit": unit, "beside": beside}


@dataclass(frozen=True, slots=True)
class Event:
    """One thing that happened.

    Attributes:
        word: the kind, as the line names it.
        time: data time in nanoseconds since the first frame.
        utc: the recording's own clock then, nanoseconds since the Unix epoch.
        subject: the alarm, channel or pull it happened to; empty when it is the run as a whole.
    """

    word: ClassVar[str] = ""

    time: int
    utc: int
    subject: str

    @property
    def kind(self) -> str:
        """The word for what happened."""
        return self.word


@dataclass(frozen=True, slots=True)
class RunStarted(Event):
    """The first row came. `profile` is its name; so many `channels` and `alarms`; `tick`, s between ticks."""

    word = "started"

    profile: str
    channels: int
    alarms: int
    tick: float = field(metadata=_in("s"))


@dataclass(frozen=True, slots=True)
class Fact:
    """What a channel was when an alarm was raised; `quality` in words where it was not good."""

    channel: str
    value: float | None
    unit: str
    quality: str | None = None


@dataclass(frozen=True, slots=True)
class SecondsBefore:
    """The seconds before an alarm: points `every` so many s, the last one at data time `until`, s; of each channel
    the values, oldest first."""

    every: float = field(metadata={"text": "s"})
    until: float = field(metadata=_in("s"))
    channels: Mapping[str, Sequence[float | None]]


@dataclass(frozen=True, slots=True)
class AlarmChanged(Event):
    """An alarm changed its state.

    Attributes:
        transition: `raised`, `returned to normal`, ...: see `alarms.machine.TRANSITIONS`.
        state, was: the state it is in now, and the one before.
        first_out: whether it is the first of those that stand together.
        setpoint: what makes it true, as a condition in the language of formulas.
        until: data time in s at which shelving ends.
        reason: what a person gave with an action.
        because, values, units, quality, before: when raised, what made it true; of every channel the value, its unit,
            its quality in words where that is not good; and the seconds before.
    """

    word = "alarm"

    transition: str
    state: State
    was: State
    priority: Priority
    first_out: bool
    setpoint: str
    action: str
    message: str
    until: float | None = field(default=None, metadata=_in("s"))
    reason: str | None = None
    because: tuple[Fact, ...] | None = None
    values: Mapping[str, float | None] | None = None
    units: Mapping[str, str] | None = None
    quality: Mapping[str, str] | None = None
    before: SecondsBefore | None = None

    @property
    def raised(self) -> bool:
        """Whether it was raised."""
        return self.transition == "raised"


@dataclass(frozen=True, slots=True)
class QualityChanged(Event):
    """A channel was lost (went stale, invalid, out of range) or came back; `last` value received, in `unit`, `age` s
    ago."""

    word = "quality"

    what: Literal["lost", "back"]
    quality: str
    last: float | None
    unit: str
    age: float | None = field(metadata=_in("s"))


@dataclass(frozen=True, slots=True)
class AlarmFlood(Event):
    """More alarms than a person can take, so many `within` s; and its end, after it `lasted` s (EEMUA 191)."""

    word = "flood"

    what: Literal["began", "ended"]
    alarms: int
    within: float | None = field(default=None, metadata=_in("s"))
    lasted: float | None = field(default=None, metadata=_in("s"))


@dataclass(frozen=True, slots=True)
class AlarmChattered(Event):
    """One alarm was raised so many times `within` s (EEMUA 191)."""

    word = "chattering"

    raised: int
    within: float = field(metadata=_in("s"))


@dataclass(frozen=True, slots=True)
class ClockMoved(Event):
    """The source's clock went back, or jumped over a gap, by `step` s."""

    word = "clock"

    what: Literal["went back", "jumped ahead"]
    step: float = field(metadata=_in("s", "unit"))


@dataclass(frozen=True, slots=True)
class OdditiesCounted(Event):
    """Something in the input was malformed, late, dropped or undecodable: `counts` so far, by kind."""

    word = "oddity"

    counts: Mapping[str, int]


@dataclass(frozen=True, slots=True)
class Peak:
    """The furthest a channel went in a pull, and what it means."""

    channel: str
    value: float
    unit: str
    meaning: str


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure of several that are told together: in a line, `name: value`, and the unit under `units`."""

    name: str
    value: bool | int | float | None
    unit: str


@dataclass(frozen=True, slots=True)
class PullEnded(Event):
    """A full-pedal run is over: `start` and `end` in data time, s; engine speeds, rpm; whether the fuel was cut; the
    peaks reached; and how boost followed its command, where there is one."""

    word = "pull"

    number: int
    start: float = field(metadata=_in("s", None))
    end: float = field(metadata=_in("s", "time_unit"))
    from_speed: int = field(metadata=_in("rpm", None))
    to_speed: int | None = field(metadata=_in("rpm", "speed_unit"))
    fuel_cut: bool
    peaks: tuple[Peak, ...]
    boost_response: tuple[Figure, ...] | None


@dataclass(frozen=True, slots=True)
class MarkerSet(Event):
    """A person marked data time `at`, s."""

    word = "marker"

    text: str
    at: float = field(metadata=_in("s", None))


@dataclass(frozen=True, slots=True)
class NoteWritten(Event):
    """A person wrote a note, pinned to data time `at`, s."""

    word = "note"

    text: str
    at: float = field(metadata=_in("s", None))


@dataclass(frozen=True, slots=True)
class FaultCodesRead(Event):
    """A control unit (the subject) listed the fault codes it has: none, or some of SAE J2012."""

    word = "fault codes"

    what: Literal["stored", "pending", "permanent"]
    codes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class ReadinessRead(Event):
    """A control unit said whether it asks for the malfunction `lamp`, how many codes are `stored`, and which monitors
    have not finished since codes were cleared."""

    word = "readiness"

    lamp: bool
    stored: int
    unfinished: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class FreezeFrameRead(Event):
    """A control unit gave the values it kept when it set `code`; None where it did not say which."""

    word = "freeze frame"

    code: str | None
    values: tuple[Figure, ...]


@dataclass(frozen=True, slots=True)
class IdentityRead(Event):
    """A control unit said what it is, or which calibration runs in it. Of a vehicle's number only a mark is kept, by
    which the same car is known again."""

    word = "identity"

    what: Literal["vehicle", "calibration", "calibration verification", "control unit"]
    texts: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class RunEnded(Event):
    """The run ended in good order, after so many `rows` and `ticks`; `counts` of all that was counted."""

    word = "ended"

    rows: int
    ticks: int
    counts: Mapping[str, int]


@dataclass(frozen=True, slots=True)
class UnknownEvent(Event):
    """A line of a kind, or with fields, that this livewatch does not know; only ever read. `fields` are JSON values."""

    said: str
    fields: Mapping[str, Any]

    @property
    def kind(self) -> str:
        """The word the line has."""
        return self.said


EVENT_KINDS: Final[Mapping[str, type[Event]]] = {
    kind.word: kind
    for kind in (
        RunStarted, AlarmChanged, QualityChanged, AlarmFlood, AlarmChattered, ClockMoved, OdditiesCounted, PullEnded,
        MarkerSet, NoteWritten, FaultCodesRead, ReadinessRead, FreezeFrameRead, IdentityRead, RunEnded,
    )
}  # fmt: skip
"""Every kind of event, by its word."""


def without_lead_up(event: Event) -> Event:
    """The same event without the seconds before it, which are most of its size."""
    return replace(event, before=None) if isinstance(event, AlarmChanged) and event.before is not None else event


def utc_text(nanoseconds: int) -> str:
    """ISO 8601 in UTC with microseconds: `2026-05-04T09:30:00.000000Z`."""
    seconds, rest = divmod(int(nanoseconds), 1_000_000_000)
    try:
        moment = datetime.fromtimestamp(seconds, UTC)
    except (ValueError, OverflowError, OSError):
        return f"epoch{seconds:+d}.{rest // 1000:06d}Z"
    return moment.strftime("%Y-%m-%dT%H:%M:%S.") + f"{rest // 1000:06d}Z"


def parse_utc(text: str) -> int | None:
    """Nanoseconds since the Unix epoch of what `utc_text` wrote; None when it is something else, or a moment that no
    int64 holds."""
    try:
        if text.startswith("epoch"):
            seconds, _, rest = text.removeprefix("epoch").removesuffix("Z").partition(".")
            utc = int(seconds) * 1_000_000_000 + int(rest) * 1000
        else:
            # A moment without its zone cannot be taken from one that has it.
            utc = (datetime.fromisoformat(text) - _EPOCH) // timedelta(microseconds=1) * 1000
    except (ValueError, TypeError):
        return None
    return utc if -(2**63) <= utc < 2**63 else None
