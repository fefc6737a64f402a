"""A simulated drive as a recording, in any format python-can writes.

In: frame batches and a path. Out: the file, its format chosen by its suffix; candump (`.log`, `.log.gz`) goes the quick
way. The same frames give the same bytes, MF4 files aside, which carry the moment they were written.
"""

from __future__ import annotations

import gzip
import re
from collections.abc import Iterable, Iterator
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import BinaryIO

import can

from livewatch.data.frames import FrameBatch
from livewatch.errors import UsageError
from livewatch.profile.model import Profile
from livewatch.sources.recordings.candump.reader import format_candump

__all__ = ["as_recorded", "check_output", "check_writable", "write_recording"]

SUFFIXES = (".log", ".log.gz", ".asc", ".blf", ".trc", ".csv", ".db", ".mf4", ".txt")
"""What may be written; python-can's writers but for candump."""
PIECE = 20_000
"""Frames turned into messages at once."""


def as_recorded(batches: Iterable[FrameBatch], profile: Profile) -> Iterator[FrameBatch]:
    """The same frames under the names that recordings have for their channels (`can0`), where the profile lists any."""
    names = {bus: next((one for one in known if one.startswith("can")), bus) for bus, known in profile.buses.items()}
    for batch in batches:
        yield replace(batch, buses=tuple(names.get(bus, bus) for bus in batch.buses))


def check_output(path: Path) -> None:
    """Raise UsageError unless a recording can be written to `path`."""
    if not path.name.lower().endswith(SUFFIXES):
        raise UsageError(f"{path}: unknown kind of recording; expected one of {', '.join(SUFFIXES)}")
    check_writable(path)


def check_writable(path: Path) -> None:
    """Raise UsageError unless a file can be written to `path`; one that exists is not touched."""
    try:
        existed = path.exists()
        with path.open("ab"):
            pass
        if not existed:
            path.unlink()
    except OSError as error:
        raise UsageError(f"cannot write {path}: {error.strerror}") from None


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
        return _write_by_library(batches, path)
    except OSError as error:
        raise UsageError(f"cannot write {path}: {error.strerror or error}") from None
    except (ImportError, NotImplementedError, ValueError) as error:
        # python-can says so when a format needs a library that is not installed (MF4: asammdf).
        raise UsageError(f"cannot write {path}: {error}") from None


def _write_candump(batches: Iterable[FrameBatch], file: BinaryIO | gzip.GzipFile) -> int:
    count = 0
    for batch in batches:
        file.write(format_candump(batch))
        count += len(batch)
    return count


def _write_by_library(batches: Iterable[FrameBatch], path: Path) -> int:
    count = 0
    begins: float | None = None
    with can.Logger(str(path)) as writer:
        for batch in batches:
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
