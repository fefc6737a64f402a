"""The messages of livewatch, version 1, as types, and the one door by which a stranger's become such.

Bytes from a broker come in; a checked message comes out, or None, and what was wrong with it is counted. Nothing
larger than its kind may be is looked at, nothing nested deep, no number that is none; what is too much, or of another
type than it should be, is refused as a whole. Fields that are not known are ignored, so that later versions may add
some.
`livewatch publish --schema` prints these types as JSON Schema.
"""

from __future__ import annotations

from collections import Counter
from typing import Annotated, Any, Literal, TypeVar

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from livewatch.data.alarm_states import Priority, State
from livewatch.data.clock import FARTHEST
from livewatch.data.outside import read_json

__all__ = [
    "MESSAGES",
    "Acknowledge",
    "Again",
    "AlarmMessage",
    "Authority",
    "AuthorityMessage",
    "Bad",
    "Message",
    "SamplesMessage",
    "Status",
    "SystemWord",
    "VerdictMessage",
    "read_message",
]

LARGEST = 262_144
"""Bytes of a message of these kinds."""
MOST = 512
"""Entries of a list, channels of a message."""

Bad = Literal["stale", "out of range", "invalid", "never seen"]
Words = Annotated[str, Field(max_length=2_000)]
Name = Annotated[str, Field(max_length=200)]
Number = Annotated[float, Field(allow_inf_nan=False)]
Seconds = Annotated[float, Field(allow_inf_nan=False, gt=-FARTHEST / 1e9, lt=FARTHEST / 1e9)]
"""Of data time, which is counted in whole nanoseconds everywhere else."""
Count = Annotated[int, Field(ge=0, lt=1 << 53)]


class Message(BaseModel):
    """What every message has: `v`, the version of this format, and the session folder it is of."""

    model_config = ConfigDict(frozen=True, strict=True, extra="ignore")

    v: Literal[1] = 1
    session: Name = ""


class Status(Message):
    """How a station is, every few seconds. `sent`, the station's clock, and `since`, the start of the run, are ISO 8601
    in UTC; `time` is data time, s. `events` is the number that the next event will have, `rows` that of the next
    message of rows, null where none are sent; `behind` events wait to be sent; `left_out` counts what gave way."""

    state: Literal["watching", "replaying", "ended", "lost"]
    car: Name
    sent: Name = ""
    since: Name = ""
    time: Seconds = 0.0
    time_unit: Literal["s"] = "s"
    events: Count = 0
    behind: Count = 0
    earlier: Annotated[dict[Name, Count], Field(max_length=50)] = {}
    """Earlier sessions whose events can be asked for, and the number that the next event of each would have."""
    rows: Count | None = None
    left_out: Annotated[dict[Name, Count], Field(max_length=50)] = {}
    troubles: Annotated[list[Words], Field(max_length=20)] = []
    acknowledge: bool = False
    """Whether alarms may be acknowledged from afar."""
    livewatch: Name = ""


class AlarmMessage(Message):
    """How one alarm stands. Fields are those of the event of its last change; `value` is that of the first channel of
    its evidence when it was raised last."""

    alarm: Name
    state: Literal[tuple(str(state) for state in State)]  # type: ignore[valid-type]
    priority: Priority
    since: Seconds
    time_unit: Literal["s"] = "s"
    utc: Name
    first_out: bool = False
    setpoint: Words = ""
    action: Words = ""
    message: Words = ""
    channel: Name = ""
    value: Number | None = None
    unit: Name = ""


class SystemWord(BaseModel):
    """The verdict on one system of the car."""

    model_config = ConfigDict(frozen=True, strict=True, extra="ignore")

    system: Name
    word: Literal["fits", "strained", "misfit", "unproven", "not seen"]


class VerdictMessage(Message):
    """The verdict so far, in a word and a sentence, and by system; what to drive next."""

    word: Literal["fits", "strained", "misfit", "unproven"]
    sentence: Words
    systems: Annotated[list[SystemWord], Field(max_length=20)] = []
    causes: Annotated[list[Words], Field(max_length=10)] = []
    next_drive: Words = ""
    coverage: Number | None = None


class Authority(BaseModel):
    """How much of one controller's authority is used. `used` and `most_used` are shares of the limit: 1 is at it."""

    model_config = ConfigDict(frozen=True, strict=True, extra="ignore")

    controller: Name
    label: Name
    unit: Name
    limits: tuple[Number, Number] = Field(strict=False)
    everyday: tuple[Number, Number] = Field(strict=False)
    value: Number | None = None
    used: Number | None = None
    least: Number | None = None
    most: Number | None = None
    most_used: Number | None = None


class AuthorityMessage(Message):
    """Used authority, controller by controller."""

    controllers: Annotated[list[Authority], Field(max_length=64)]


class SamplesMessage(Message):
    """Values of channels at data times `time`, s, oldest first: null where unknown. `quality` names what is not good
    now, `age` how old its last value is, s, `held` that value."""

    time: Annotated[list[Seconds], Field(max_length=2_000)]
    time_unit: Literal["s"] = "s"
    utc: Name
    channels: Annotated[dict[Name, list[Number | None]], Field(max_length=MOST)]
    units: Annotated[dict[Name, Name], Field(max_length=MOST)]
    quality: Annotated[dict[Name, Bad], Field(max_length=MOST)] = {}
    age: Annotated[dict[Name, Seconds], Field(max_length=MOST)] = {}
    held: Annotated[dict[Name, Number], Field(max_length=MOST)] = {}


class Again(Message):
    """To a station: send the events of a session once more, from number `first` on."""

    first: Count = 0


class Acknowledge(Message):
    """To a station: somebody, `by`, acknowledges an alarm; all of them where `alarm` is empty."""

    alarm: Name = ""
    by: Annotated[str, Field(min_length=1, max_length=100)]


MESSAGES: dict[str, type[Message]] = {
    "status": Status,
    "alarms": AlarmMessage,
    "verdict": VerdictMessage,
    "authority": AuthorityMessage,
    "samples": SamplesMessage,
    "again": Again,
    "acknowledge": Acknowledge,
}
"""The kinds that are JSON of a type of their own, by the word in their topic."""

M = TypeVar("M", bound=Message)


def read_message(kind: type[M], payload: Any, counts: Counter[str]) -> M | None:
    """The message in a payload; None, counted, for one that is none."""
    if not isinstance(payload, bytes | bytearray) or len(payload) > LARGEST:
        counts["messages that are too large"] += 1
        return None
    try:
        return kind.model_validate(read_json(bytes(payload)))
    except (ValueError, ValidationError, RecursionError):
        counts["messages that make no sense"] += 1
        return None
