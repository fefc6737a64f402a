"""The event log of a run, read back: `events.jsonl`, format version 1.

A path comes in; `LoggedEvent`s come out, in the order they were announced: the same typed events that the run announced
(`data.event_json` says how a line is made, `data.events` what each kind has).

A last line that a cut left without its end, and lines that are no event, are counted and left out.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from livewatch.data.event_json import EVENT_FORMAT, event_of
from livewatch.data.events import Event
from livewatch.data.outside import LONGEST_LINE, open_file, read_json
from livewatch.errors import SourceError

__all__ = ["EventLog", "LoggedEvent", "open_log"]

CUT_OFF = "last line of the event log cut off"
NOT_EVENTS = "lines that are not events"


@dataclass(frozen=True, slots=True)
class LoggedEvent:
    """One line.

    Attributes:
        sequence: its number in the log.
        event: what it says.
        written: the host's clock when it went to disk, ISO 8601 in UTC, empty when the line does not say.
        line: the line as it stands in the file, without its end.
    """

    sequence: int
    event: Event
    written: str
    line: str


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
            with open_file(self.path) as file:
                while raw := file.readline(LONGEST_LINE):
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
            record = read_json(line)
            version = record["v"]
            if isinstance(version, int) and version > EVENT_FORMAT:
                raise SourceError(
                    f"{self.path}:{number}: event format version {version}, this livewatch reads up to "
                    f"{EVENT_FORMAT}; use a newer livewatch"
                )
            return LoggedEvent(int(record["seq"]), event_of(record), str(record.get("written", "")), line)
        except (ValueError, KeyError, TypeError, AttributeError, OverflowError):
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
        with open_file(file) as opened:
            head = opened.read(4096)
    except OSError as error:
        raise SourceError(f"{file}: it cannot be read: {error.strerror or error}") from None
    if head and b"{" not in head:
        raise SourceError(f"{file}: this is no event log: expected one JSON object a line, as in events.jsonl")
    return log
