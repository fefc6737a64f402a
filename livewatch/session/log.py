"""The event log of a run, read back: `events.jsonl`, format version 1.

A path comes in; `LoggedEvent`s come out, in the order they were announced. One line is one JSON object in UTF-8.
Every line has:

    v        1, the version of this format
    seq      number of the event, counted from 0, without gaps
    time     data time: seconds since the first row, microsecond digits
    utc      the source's own clock then, ISO 8601 in UTC
    event    what happened (below)
    subject  the alarm, channel or bus it happened to, empty for the run as a whole
    written  the host's clock when the line went to disk, ISO 8601 in UTC; the only field that a replay changes

and, by `event`, further fields. Numbers have their unit in a field beside them (`x` and `x_unit`, or `unit`); a number
that is not known is null. Readers ignore fields and events they do not know; a change that would mislead such a reader
gets a new version.

    started     profile, channels, alarms, tick with tick_unit
    alarm       transition, state and was (ISA-18.2 words), priority, first_out, setpoint, action, message; when raised
                also because, values, units, quality and before; reason and duration where a person gave them
    quality     what became of a channel
    flood       what (began, ended), alarms, within or lasted
    chattering  raised, within
    clock       what (went back, jumped ahead), step with unit
    oddity      counts, all so far by plain-worded kind
    pull        figures of one full-pedal run
    marker, note  text, at (data time in seconds it is pinned to)
    ended       rows, ticks, counts

A last line that a cut left without its end, and lines that are no event, are counted and left out.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from livewatch.data.events import EVENT_FORMAT
from livewatch.errors import SourceError

__all__ = ["EventLog", "LoggedEvent", "open_log"]

COMMON = frozenset({"v", "seq", "time", "utc", "event", "subject", "written"})
CUT_OFF = "last line of the event log cut off"
NOT_EVENTS = "lines that are not events"


@dataclass(frozen=True, slots=True)
class LoggedEvent:
    """One line.

    Attributes:
        sequence: its number in the log.
        time: data time, seconds since the first row.
        utc: the source's clock, ISO 8601 in UTC.
        kind: a value of `events.EventKind`, or a later one's word.
        subject: the alarm, channel or bus.
        written: the host's clock when it went to disk, ISO 8601 in UTC, empty when the line does not say.
        detail: the other fields.
        line: the line as it stands in the file, without its end.
    """

    sequence: int
    time: float
    utc: str
    kind: str
    subject: str
    written: str
    detail: Mapping[str, Any]
    line: str

    @property
    def record(self) -> dict[str, Any]:
        """All fields under the names they have in the file."""
        common = {"time": self.time, "utc": self.utc, "event": self.kind, "subject": self.subject}
        return {"v": EVENT_FORMAT, "seq": self.sequence, **common, **self.detail, "written": self.written}


class EventLog:
    """Iterate over it for its events, as often as wanted; each time anew from the file. `counts` is what was odd the
    last time, by plain-worded kind."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.counts: Counter[str] = Counter()

    def __iter__(self) -> Iterator[LoggedEvent]:
        """
        Raises:
            SourceError: the file cannot be read, or a line is of a newer format.
        """
        self.counts = Counter()
        number = 0
        try:
            with self.path.open("rb") as file:
                for raw in file:
                    number += 1
                    if not raw.endswith(b"\n"):
                        self.counts[CUT_OFF] += 1
                        break
                    event = self._event(raw, number)
                    if event is not None:
                        yield event
        except OSError as error:
            raise SourceError(f"{self.path}: it cannot be read: {error.strerror or error}") from None

    def _event(self, raw: bytes, number: int) -> LoggedEvent | None:
        try:
            line = raw.decode().rstrip("\r\n")
            record = json.loads(line)
            version = record["v"]
            if isinstance(version, int) and version > EVENT_FORMAT:
                raise SourceError(
                    f"{self.path}:{number}: event format version {version}, this livewatch reads up to "
                    f"{EVENT_FORMAT}; use a newer livewatch"
                )
            return LoggedEvent(
                sequence=int(record["seq"]),
                time=float(record["time"]),
                utc=str(record["utc"]),
                kind=str(record["event"]),
                subject=str(record["subject"]),
                written=str(record.get("written", "")),
                detail={key: value for key, value in record.items() if key not in COMMON},
                line=line,
            )
        except (ValueError, KeyError, TypeError, RecursionError):
            self.counts[NOT_EVENTS] += 1
            return None


def open_log(path: Path) -> EventLog:
    """The event log at `path`: the file itself, or the session folder it is in.

    Raises:
        SourceError: there is none, or it is something else.
    """
    file = path / "events.jsonl" if path.is_dir() else path
    if not file.exists():
        if path.is_dir():
            raise SourceError(f"{path}: this is no session folder: there is no events.jsonl in it")
        raise SourceError(f"{path}: there is no such file")
    if not file.is_file():
        raise SourceError(f"{file}: this is a directory, expected an event log")
    log = EventLog(file)
    try:
        with file.open("rb") as opened:
            head = opened.read(4096)
    except OSError as error:
        raise SourceError(f"{file}: it cannot be read: {error.strerror or error}") from None
    if head and b"{" not in head:
        raise SourceError(f"{file}: this is no event log: expected one JSON object a line, as in events.jsonl")
    return log
