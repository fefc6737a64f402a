"""The shelf: session folders found by vehicle, date, verdict, alarm and part.

A folder of session folders comes in; `Shelved` sessions come out, as asked for. What each shows is worked out once, as
a row of a pile, and kept in an index (SQLite, in the user's cache folder). The index is never the only copy: it is
checked against the folders each time, sessions that changed are read anew and those that went are taken out; it may be
deleted at any time, and one that cannot be read is made again.

A part is one that is suspected (the established causes, or the one that stands out), or one that is fitted, where the
session folder has the car's build sheet in it (`build_sheet.yaml`).
"""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from typing import Any

from livewatch.data.kept import kept_folder
from livewatch.diagnosis.pile.files import recordings_in
from livewatch.diagnosis.pile.memory import code_state
from livewatch.diagnosis.pile.processes import Pile
from livewatch.diagnosis.pile.row import PileRow, unread_row
from livewatch.diagnosis.pile.work import PileWork
from livewatch.errors import LivewatchError, SourceError
from livewatch.session.folder import Session

__all__ = ["Shelf", "ShelfFilter", "Shelved"]

SHEET = "build_sheet.yaml"
FORMAT = "1"
TABLES = """
CREATE TABLE IF NOT EXISTS about (format TEXT, code TEXT);
CREATE TABLE IF NOT EXISTS sessions (
    path BLOB PRIMARY KEY, state TEXT, vehicle TEXT, started TEXT, verdict TEXT, row TEXT);
CREATE TABLE IF NOT EXISTS alarms (path BLOB, alarm TEXT);
CREATE TABLE IF NOT EXISTS parts (path BLOB, part TEXT);
CREATE INDEX IF NOT EXISTS by_vehicle ON sessions (vehicle, started);
"""
RIGHT = "1990"
"""Year from which a recording's own clock is believed; before it, the host's at the start of the run is taken."""
BUSY = 20.0
"""s that another livewatch may have the index."""


@dataclass(frozen=True, slots=True)
class Shelved:
    """One session.

    Attributes:
        path: its folder.
        vehicle: name of its profile.
        started: UTC, when the drive began, ISO 8601; empty where nobody knows.
        row: what it shows.
        parts: suspected and fitted, in words.
    """

    path: Path
    vehicle: str
    started: str
    row: PileRow
    parts: tuple[str, ...]

    def to_json(self) -> dict[str, Any]:
        """Plain data."""
        row = self.row.to_json()
        return {**row, "recording": str(self.path), "vehicle": self.vehicle, "started": self.started,
                "parts": list(self.parts)}  # fmt: skip


@dataclass(frozen=True, slots=True)
class ShelfFilter:
    """What is wanted; an empty text lets everything pass. Texts are found anywhere in a name, in any case; dates are
    beginnings of ISO 8601 (`2026-05`), both ends inclusive."""

    vehicle: str = ""
    since: str = ""
    until: str = ""
    verdict: str = ""
    alarm: str = ""
    part: str = ""


class Shelf:
    """The sessions in a folder, however deep.

    Args:
        folder: where they are.

    Raises:
        SourceError: there is no such folder.
    """

    def __init__(self, folder: Path) -> None:
        if not folder.is_dir():
            raise SourceError(f"{folder}: there is no such folder; expected one with session folders in it")
        self._folder = folder
        place = kept_folder("shelf")
        self._index: Path | None = None
        if place is not None:
            self._index = place / f"{sha256(str(folder.resolve()).encode()).hexdigest()[:32]}.sqlite"
        self._memory: sqlite3.Connection | None = None
        """The index, where none is kept on disk."""

    def rebuild(self) -> None:
        """Forget the index."""
        self._memory = None
        if self._index is not None:
            self._index.unlink(missing_ok=True)

    def refresh(self, told: Callable[[int, int], None] | None = None) -> tuple[tuple[Path, str], ...]:
        """Bring the index up to what the folders hold; `told` hears how many of how many sessions were read. What comes
        back are the folders that could not be looked into, with why.

        Raises:
            LivewatchError: the index cannot be written.
        """
        with self._opened() as index:
            found = recordings_in([self._folder])
            paths = [path for path in found.paths if path.is_dir()]
            states = {os.fsencode(path.relative_to(self._folder)): _state(path) for path in paths}
            known = dict(index.execute("SELECT path, state FROM sessions").fetchall())
            for gone in known.keys() - states.keys():
                _take_out(index, gone)
            new = [name for name, state in states.items() if known.get(name) != state]
            index.commit()
            if not new:
                return found.unread
            work = PileWork([self._folder / os.fsdecode(name) for name in new], Pile(None))
            for number, one in enumerate(work.rows(), 1):
                _put_in(index, new[one.number], states[new[one.number]], work.recordings[one.number], one.row)
                index.commit()  # what is read stays read
                if told is not None:
                    told(number, len(new))
            return found.unread

    def find(self, wanted: ShelfFilter | None = None) -> list[Shelved]:
        """The sessions that match, by vehicle, the oldest first."""
        wanted = wanted or ShelfFilter()
        conditions, values = ["1"], list[str]()
        for condition, value in (
            ("instr(lower(vehicle), lower(?))", wanted.vehicle),
            ("started >= ?", wanted.since),
            ("substr(started, 1, length(?)) <= ?", wanted.until),
            ("verdict = ?", wanted.verdict),
            ("path IN (SELECT path FROM alarms WHERE instr(lower(alarm), lower(?)))", _named(wanted.alarm)),
            ("path IN (SELECT path FROM parts WHERE instr(lower(part), lower(?)))", wanted.part),
        ):
            if value:
                values.append(value)
                conditions.append(condition.replace("?", f"?{len(values)}"))
        with self._opened() as index:
            query = f"SELECT path, vehicle, started, row FROM sessions WHERE {' AND '.join(conditions)}"
            found = index.execute(f"{query} ORDER BY vehicle, started, path", values).fetchall()
            return [self._shelved(index, *columns) for columns in found]

    def baselines(self, vehicle: str) -> list[Shelved]:
        """Sessions of the vehicle of this very name that a drive may be compared with, the best first: every system was
        seen and fits, and no critical alarm was raised; the more settled driving the better."""
        found = [
            one
            for one in self.find(ShelfFilter(vehicle=vehicle, verdict="fits"))
            if one.vehicle == vehicle and not one.row.priorities.get("critical", 0)
        ]
        return sorted(found, key=lambda one: -one.row.settled)

    def _shelved(self, index: sqlite3.Connection, name: bytes, vehicle: str, started: str, text: str) -> Shelved:
        parts = index.execute("SELECT part FROM parts WHERE path = ? ORDER BY rowid", (name,)).fetchall()
        row = PileRow.from_json(json.loads(text))
        return Shelved(self._folder / os.fsdecode(name), vehicle, started, row, tuple(part for (part,) in parts))

    def _opened(self) -> _Index:
        return _Index(self)

    def _connect(self) -> sqlite3.Connection:
        if self._memory is not None:
            return self._memory
        if self._index is None:
            self._memory = _begun(sqlite3.connect(":memory:"))
            return self._memory
        try:
            self._index.parent.mkdir(parents=True, exist_ok=True)
            try:
                return _begun(sqlite3.connect(self._index, timeout=BUSY))
            except sqlite3.DatabaseError as error:
                if isinstance(error, sqlite3.OperationalError):
                    raise
                self._index.unlink()
                return _begun(sqlite3.connect(self._index, timeout=BUSY))
        except (OSError, sqlite3.OperationalError):
            self._memory = _begun(sqlite3.connect(":memory:"))  # a cache that cannot be kept is no reason to stop
            return self._memory


class _Index:
    """The open index of a shelf, for a while."""

    def __init__(self, shelf: Shelf) -> None:
        self._shelf = shelf

    def __enter__(self) -> sqlite3.Connection:
        self._connection = self._shelf._connect()
        return self._connection

    def __exit__(self, *_: object) -> None:
        if self._connection is not self._shelf._memory:
            self._connection.close()


def _begun(connection: sqlite3.Connection) -> sqlite3.Connection:
    """With its tables, empty where they were made by other code."""
    try:
        connection.executescript(TABLES)
        about = connection.execute("SELECT format, code FROM about").fetchone()
        if about != (FORMAT, code_state()):
            for table in ("about", "sessions", "alarms", "parts"):
                connection.execute(f"DROP TABLE {table}")
            connection.executescript(TABLES)
            connection.execute("INSERT INTO about VALUES (?, ?)", (FORMAT, code_state()))
            connection.commit()
    except sqlite3.Error:
        connection.close()
        raise
    return connection


def _named(alarm: str) -> str:
    """An alarm as people say it, as its name is written."""
    return alarm.strip().replace(" ", "_")


def _state(path: Path) -> str:
    """What tells whether a session is as it was: names, sizes and times of its files."""
    lines = []
    for one in sorted(path.iterdir()):
        if one.is_file():
            state = one.stat()
            lines.append(f"{one.name} {state.st_size} {state.st_mtime_ns}")
    return sha256("\n".join(lines).encode("utf-8", "surrogateescape")).hexdigest()


def _take_out(index: sqlite3.Connection, name: bytes) -> None:
    for table in ("sessions", "alarms", "parts"):
        index.execute(f"DELETE FROM {table} WHERE path = ?", (name,))


def _put_in(index: sqlite3.Connection, name: bytes, state: str, path: Path, row: PileRow) -> None:
    vehicle, started = row.vehicle, row.begun if row.begun >= RIGHT else ""
    try:
        manifest = Session.open(path).manifest
        vehicle, started = vehicle or manifest.name, started or manifest.started
    except LivewatchError as error:
        row = row if row.exit_code else unread_row(str(path), str(error), error.exit_code)
    _take_out(index, name)
    text = json.dumps(row.to_json(), allow_nan=False)
    vehicle = _text(vehicle)
    values = (name, state, vehicle, started, row.verdict, text)
    index.execute("INSERT INTO sessions VALUES (?, ?, ?, ?, ?, ?)", values)
    index.executemany("INSERT INTO alarms VALUES (?, ?)", [(name, alarm) for alarm in row.alarms])
    suspected = [f"{cause.replace('_', ' ')}: {title}" for cause, title in zip(row.causes, row.titles, strict=True)]
    index.executemany("INSERT INTO parts VALUES (?, ?)", [(name, _text(part)) for part in (*suspected, *_fitted(path))])


def _text(words: str) -> str:
    """Fit for SQLite, which takes no half of a character."""
    return words.encode("utf-8", "backslashreplace").decode()


def _fitted(path: Path) -> Iterator[str]:
    """The parts fitted, where the folder has a build sheet that can be read."""
    if not (path / SHEET).is_file():
        return
    from livewatch.build_sheet.sheet import load_build_sheet  # late: few sessions have one

    try:
        fitted: Mapping[str, Any] = load_build_sheet(path / SHEET).fitted
    except LivewatchError:
        return
    for slot, part in fitted.items():
        yield f"{slot.replace('_', ' ')}: {part}"
