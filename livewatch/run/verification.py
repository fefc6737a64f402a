"""Whether today's livewatch gives the events that a session folder has on record, and what differs.

A session folder comes in; a `Verification` goes out. The recorded rows go through the same run as live, and what a
person did to alarms is done again at the same moments; markers and notes are a person's words and are not compared.
Events are compared as the log has them, field by field, their numbers in the log and the wall clock aside. Of a run
that was cut off, what comes after the last event on record is no difference.
"""

from __future__ import annotations

import json
from collections import defaultdict, deque
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from math import inf
from pathlib import Path
from typing import Any, Literal

from livewatch.alarms import ActionError
from livewatch.data.actions import Action
from livewatch.data.event_json import line_of
from livewatch.data.events import Event, MarkerSet, NoteWritten
from livewatch.data.outside import read_json
from livewatch.data.samples import Rows
from livewatch.errors import SourceError
from livewatch.profile.model import Profile
from livewatch.run.answers import action_of
from livewatch.run.opening import open_source
from livewatch.run.reading import read_through
from livewatch.run.reversible_run import ReversibleRun
from livewatch.run.run import Run
from livewatch.session.folder import Session

__all__ = ["Difference", "Verification", "verify"]

_PERSONAL = (MarkerSet.word, NoteWritten.word)
_UNCOMPARED = ("seq", "written")
Record = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Difference:
    """One event that is not as recorded.

    Attributes:
        what: `missing` today, `new` today, `moved` to another time, or `changed` in its fields.
        time: data time, s, as recorded; as found where it is new.
        event, subject, transition: what happened, and to what; `transition` empty where there is none.
        fields: of each field that differs, its name, the recorded value and today's.
    """

    what: Literal["missing", "new", "moved", "changed"]
    time: float
    event: str
    subject: str
    transition: str
    fields: tuple[tuple[str, Any, Any], ...] = ()

    def to_json(self) -> dict[str, Any]:
        """Plain data."""
        fields = [{"field": name, "recorded": recorded, "today": today} for name, recorded, today in self.fields]
        return {
            "what": self.what,
            "time": self.time,
            "time_unit": "s",
            "event": self.event,
            "subject": self.subject,
            "transition": self.transition,
            "fields": fields,
        }


@dataclass(frozen=True, slots=True)
class Verification:
    """Attributes:
    path: the session folder.
    livewatch: the version that recorded it.
    state: ended, killed or running.
    recorded: events on record that were compared; `answers` of a person done again; `personal` markers and notes.
    after: events that today's run gives after the last one on record of a run that was cut off.
    differences: in order of time.
    refused: answers of a person that make no sense today, in words.
    odd: what is odd in the folder's own files and rows, by plain-worded kind.
    """

    path: Path
    livewatch: str
    state: str
    recorded: int
    answers: int
    personal: int
    after: int
    differences: tuple[Difference, ...]
    refused: tuple[str, ...]
    odd: Mapping[str, int]

    @property
    def agrees(self) -> bool:
        """Whether today's events are those on record."""
        return not self.differences and not self.refused

    def to_json(self) -> dict[str, Any]:
        """Plain data, format version 1."""
        return {
            "verification": 1,
            "source": str(self.path),
            "recorded_by": self.livewatch,
            "state": self.state,
            "agrees": self.agrees,
            "recorded": self.recorded,
            "answers": self.answers,
            "personal": self.personal,
            "after": self.after,
            "differences": [one.to_json() for one in self.differences],
            "refused": list(self.refused),
            "odd": dict(self.odd),
        }


class _Heard:
    """Takes a run's events in place of a recorder."""

    def __init__(self) -> None:
        self.events: list[Event] = []

    def write_rows(self, batch: Rows) -> None:
        """Nothing: they are on record."""

    def write_events(self, events: Sequence[Event]) -> None:
        self.events.extend(events)

    def close(self, utc: int) -> None:
        """Nothing."""


def verify(path: Path, profile: Profile | None = None) -> Verification:
    """Compare the events of the session folder at `path` with those that its rows give now.

    Args:
        profile: what to watch by; None for the profile in the folder.

    Raises:
        SourceError: there is no session folder, or nothing is on record in it.
        MistakesError: its profile was changed since, and has mistakes.
    """
    folder = Session.open(path)
    log = folder.events()
    recorded, answers, personal = list[Record](), list[tuple[int, Action]](), 0
    for logged in log:
        if logged.event.kind in _PERSONAL:
            personal += 1
            continue
        recorded.append(_compared(logged.line))
        if (action := action_of(logged.event)) is not None:
            answers.append((logged.event.time, action))
    if not recorded:
        raise SourceError(f"{path}: there is no event on record to compare with")
    heard = _Heard()
    counts, refused = _run_again(path, profile or folder.profile(), answers, heard)
    found = [_compared(line_of(event, 0)) for event in heard.events if event.kind not in _PERSONAL]
    differences = sorted(_differences(recorded, found), key=lambda one: one.time)
    after = 0
    if folder.manifest.state != "ended":
        last = float(recorded[-1]["time"])
        before = [one for one in differences if one.what != "new" or one.time < last]
        differences, after = before, len(differences) - len(before)
    return Verification(
        path,
        folder.manifest.livewatch,
        folder.manifest.state,
        len(recorded),
        len(answers) - len(refused),
        personal,
        after,
        tuple(differences),
        tuple(refused),
        {**log.counts, **folder.manifest.counts, **counts},
    )


def _compared(line: str) -> Record:
    record: Record = read_json(line)
    return {key: value for key, value in record.items() if key not in _UNCOMPARED}


def _run_again(
    path: Path, profile: Profile, answers: Sequence[tuple[int, Action]], heard: _Heard
) -> tuple[dict[str, int], list[str]]:
    """Give `heard` the events of the rows, a person's `answers` among them; what was odd, and what made no sense."""
    if not answers:
        source = open_source(path, profile)
        read_through(source, Run(profile, heard))
        return source.counts, []
    run, refused = ReversibleRun(lambda: open_source(path, profile), profile, heard), list[str]()
    for time, action in answers:
        run.go(time, inf)
        try:
            run.apply(action)
        except ActionError as error:
            refused.append(f"at {time / 1e9:g} s: {error}")
    run.go(2**62, inf)
    run.close()
    if run.problem:
        raise SourceError(run.problem)
    return {}, refused


def _differences(recorded: Sequence[Record], found: Sequence[Record]) -> Iterator[Difference]:
    """Events of one moment, kind, subject and transition are the same event; what is left of each side is paired
    where only the moment is another."""
    today: dict[tuple[Any, ...], deque[Record]] = defaultdict(deque)
    for record in found:
        today[_key(record)].append(record)
    missing: list[Record] = []
    for record in recorded:
        same = today[_key(record)]
        if not same:
            missing.append(record)
        elif fields := _fields(record, same.popleft()):
            yield _difference("changed", record, fields)
    new: dict[tuple[Any, ...], deque[Record]] = defaultdict(deque)
    for left in today.values():
        for record in left:
            new[_key(record)[1:]].append(record)
    for record in missing:
        moved = new[_key(record)[1:]]
        if moved:
            yield _difference("moved", record, _fields(record, moved.popleft()))
        else:
            yield _difference("missing", record)
    for left in new.values():
        for record in left:
            yield _difference("new", record)


def _key(record: Record) -> tuple[Any, ...]:
    return record["time"], record["event"], record["subject"], record.get("transition", record.get("what", ""))


def _fields(recorded: Record, today: Record) -> tuple[tuple[str, Any, Any], ...]:
    names = dict.fromkeys([*recorded, *today])
    pairs = ((name, recorded.get(name), today.get(name)) for name in names)
    return tuple((name, old, new) for name, old, new in pairs if json.dumps(old) != json.dumps(new))


def _difference(
    what: Literal["missing", "new", "moved", "changed"], record: Record, fields: tuple[tuple[str, Any, Any], ...] = ()
) -> Difference:
    time, event, subject, transition = _key(record)
    return Difference(what, float(time), str(event), str(subject), str(transition), fields)
