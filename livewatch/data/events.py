"""Events: what the pipeline has to say, in order of data time.

An `Event` becomes one line of `events.jsonl`. Its fields come from the frames alone (so that any cutting of the same
frames, live or replayed, gives the same lines); the only wall-clock field, `written`, is added by the session folder.
Format version 1; DEVELOPERS.md documents every kind and its `detail`.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from enum import StrEnum
from typing import Any

__all__ = ["EVENT_FORMAT", "Event", "EventKind", "parse_utc", "utc_text"]

EVENT_FORMAT = 1
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


class EventKind(StrEnum):
    """What happened."""

    STARTED = "started"
    ALARM = "alarm"
    """An alarm changed state; `detail` has `transition`, `state`, `was`, and for a raised alarm the values."""
    QUALITY = "quality"
    """A channel was lost (went stale, invalid, out of range) or came back."""
    FLOOD = "flood"
    """More alarms in ten minutes than a person can take, and its end (EEMUA 191)."""
    CHATTERING = "chattering"
    """One alarm raised three times within a minute (EEMUA 191)."""
    CLOCK = "clock"
    """The source's clock went back, or jumped over a gap."""
    ODDITY = "oddity"
    """Something in the input was malformed, late, dropped or undecodable; `detail` has the counts so far."""
    PULL = "pull"
    MARKER = "marker"
    NOTE = "note"
    ENDED = "ended"


@dataclass(frozen=True, slots=True)
class Event:
    """One thing that happened.

    Attributes:
        time: data time in nanoseconds since the first frame.
        utc: the recording's own clock then, nanoseconds since the Unix epoch.
        kind: what happened.
        subject: the alarm, channel or bus it happened to; empty when it is the run as a whole.
        detail: further fields, JSON values only; numbers carry their unit in a field beside them.
    """

    time: int
    utc: int
    kind: EventKind
    subject: str = ""
    detail: Mapping[str, Any] = field(default_factory=dict)

    def to_json(self, sequence: int, written: str | None = None) -> str:
        """One line of `events.jsonl`, without the line end. `written` is the wall clock when it went to disk."""
        record: dict[str, Any] = {
            "v": EVENT_FORMAT,
            "seq": sequence,
            "time": round(self.time / 1e9, 6),
            "utc": utc_text(self.utc),
            "event": self.kind.value,
            "subject": self.subject,
            **_plain(dict(self.detail)),
        }
        if written is not None:
            record["written"] = written
        return json.dumps(record, ensure_ascii=False, separators=(",", ":"), allow_nan=False)


def utc_text(nanoseconds: int) -> str:
    """ISO 8601 in UTC with microseconds: `2026-05-04T09:30:00.000000Z`."""
    seconds, rest = divmod(int(nanoseconds), 1_000_000_000)
    try:
        moment = datetime.fromtimestamp(seconds, UTC)
    except (ValueError, OverflowError, OSError):
        return f"epoch{seconds:+d}.{rest // 1000:06d}Z"
    return moment.strftime("%Y-%m-%dT%H:%M:%S.") + f"{rest // 1000:06d}Z"


def parse_utc(text: str) -> int | None:
    """Nanoseconds since the Unix epoch of what `utc_text` wrote; None when it is something else."""
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        return None
    return (moment - _EPOCH) // timedelta(microseconds=1) * 1000 if moment.tzinfo is not None else None


def _plain(value: Any) -> Any:
    """JSON has no NaN: an unknown number is null."""
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {key: _plain(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(inner) for inner in value]
    return value
