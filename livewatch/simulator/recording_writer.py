"""A simulated drive as a recording, in any format python-can writes.

In: a drive, or frame batches, and a path. Out: the file, its format chosen by its suffix; candump (`.log`, `.log.gz`)
goes the quick way. Every frame is written, or the file is refused. The same frames give the same bytes, MF4 files
aside, which carry the moment they were written.
"""

from __future__ import annotations

import gzip
import re
import sqlite3
from collections.abc import Iterable, Iterator
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import BinaryIO

from livewatch.data.frames import ERROR, FrameBatch
from livewatch.data.kept import check_writable
from livewatch.data.python_can import can, with_mf4
from livewatch.errors import UsageError
from livewatch.profile.model import Profile
from livewatch.simulator.bus_frames import Wire, broadcast
from livewatch.simulator.drive import Drive
from livewatch.simulator.scripted_tester import poll_drive
from livewatch.sources.recordings.candump.line_writer import format_candump

__all__ = ["as_recorded", "check_output", "frames_of", "write_recording"]

SUFFIXES = (".log", ".log.gz", ".asc", ".blf", ".trc", ".csv", ".db", ".mf4", ".txt")
"""What may be written; python-can's writers but for candump and SQLite."""
PIECE = 20_000
"""Frames turned into messages at once."""


def frames_of(drive: Drive, profile: Profile, wire: Wire | None = None) -> Iterator[FrameBatch]:
    """What a recorder on this car hears: its broadcast, or, where the profile declares none, the conversation with a
    tester that asks what the profile polls."""
    wire = wire or Wire()
    return broadcast(drive, profile, wire) if profile.messages else poll_drive(drive, profile, wire.begins)


def as_recorded(batches: Iterable[FrameBatch], profile: Profile) -> Iterator[FrameBatch]:
    """The same frames under the names that recordings have for their channels (`can0`), where the profile lists any."""
    names = {bus: next((one for one in known if one.startswith("can")), bus) for bus, known in profile.buses.items()}
    for batch in batches:
        yield replace(batch, buses=tuple(names.get(bus, bus) for bus in batch.buses))


def check_output(path: Path, error_frames: bool = False) -> None:
    """Raise UsageError unless a recording, with `error_frames` or without, can be written to `path`."""
    if not path.name.lower().endswith(SUFFIXES):
        raise UsageError(f"{path}: unknown kind of recording; expected one of {', '.join(SUFFIXES)}")
    if error_frames and path.suffix.lower() == ".trc":
        raise UsageError(f"{path}: TRC files are written without error frames; expected none, or another format")
    check_writable(path)


def write_recording(batches: Iterable[FrameBatch], path: Path | str) -> int:
    """Write the frames to the file at `path`; their number comes back.

    Raises:
        UsageError: the file cannot be written, or its format cannot hold the frames.
    """
    path = Path(path)
    check_output(path)
    name = path.name.lower()
    try:
        if name.endswith(".log.gz"):
            with path.open("wb") as raw, gzip.GzipFile("", "wb", 9, raw, mtime=0) as file:
                return _write_candump(batches, file)
        if name.endswith(".log"):
            with path.open("wb") as file:
                return _write_candump(batches, file)
        if name.endswith(".db"):
            return _write_database(batches, path)
        return _write_by_library(batches, path)
    except OSError as error:
        raise UsageError(f"cannot write {path}: {error.strerror or error}") from None
    except sqlite3.Error as error:
        raise UsageError(f"cannot write {path}: {error}") from None
    except (ImportError, NotImplementedError, ValueError) as error:
        # python-can says so when a format needs a library that is not installed (MF4: asammdf).
        raise UsageError(f"cannot write {path}: {error}") from None


def _write_candump(batches: Iterable[FrameBatch], file: BinaryIO | gzip.GzipFile) -> int:
    count = 0
    for batch in batches:
        file.write(format_candump(batch))
        count += len(batch)
    return count


def _write_database(batches: Iterable[FrameBatch], path: Path) -> int:
    """The table that python-can reads; its own writer is stopped before it has written what it was given."""
    path.unlink(missing_ok=True)
    count = 0
    database = sqlite3.connect(path)
    try:
        with database:
            database.execute(
                "CREATE TABLE messages (ts REAL, arbitration_id INTEGER, extended INTEGER, remote INTEGER, "
                "error INTEGER, dlc INTEGER, data BLOB)"
            )
            for batch in batches:
                rows = (
                    (one.timestamp, one.arbitration_id, one.is_extended_id, one.is_remote_frame, one.is_error_frame,
                     one.dlc, bytes(one.data))
                    for one in batch.to_messages()
                )  # fmt: skip
                database.executemany("INSERT INTO messages VALUES (?, ?, ?, ?, ?, ?, ?)", rows)
                count += len(batch)
    finally:
        database.close()
    return count


def _write_by_library(batches: Iterable[FrameBatch], path: Path) -> int:
    count = 0
    begins: float | None = None
    library = with_mf4() if path.suffix.lower() == ".mf4" else can
    with library.Logger(str(path)) as writer:
        for batch in batches:
            check_output(path, bool((batch.flags & ERROR).any()))
            for start in range(0, len(batch), PIECE):
                for message in batch[start : start + PIECE].to_messages():
                    begins = message.timestamp if begins is None else begins
                    writer.on_message_received(message)
            count += len(batch)
    if path.suffix.lower() == ".asc" and begins is not None:
        _date_asc(path, begins)
    return count


def _date_asc(path: Path, begins: float) -> None:
    """python-can dates an ASC file by the wall clock; date it by its first frame, so that the same frames give the
    same bytes."""
    text = path.read_text()
    date = datetime.fromtimestamp(begins).strftime("%a %b %d %I:%M:%S.%f %p %Y")
    path.write_text(re.sub(r"\Adate .*", f"date {date}", text))
