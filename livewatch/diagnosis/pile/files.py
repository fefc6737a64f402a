"""The recordings in what a person named, and what tells one content from another.

Paths come in: recordings, tables, session folders, and folders with any of them in it, however deep. `Recordings` come
out, in a fixed order, with what was left out of the folders and which folders could not be read; a file that was named
itself is always taken. `content_of` gives the SHA-256 of all that a diagnosis reads at a path.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path

from livewatch.data.outside import open_file
from livewatch.errors import SourceError
from livewatch.session.folder import PROFILE, SAMPLES, is_session
from livewatch.sources.recordings.recording import FORMATS, recording_suffix
from livewatch.sources.tables.table import TABLE_SUFFIXES

__all__ = ["Recordings", "content_of", "files_read", "is_pile", "recordings_in"]

SUFFIXES = (frozenset(FORMATS) | frozenset(TABLE_SUFFIXES)) - {".txt"}
"""What the names of recordings end in; a text in a folder is more likely somebody's notes."""
AT_ONCE = 1 << 20


@dataclass(frozen=True, slots=True)
class Recordings:
    """Attributes:
    paths: what is to be read, each once.
    left_out: files in the folders that are no recordings by their names.
    unread: folders that could not be looked into, with why.
    """

    paths: tuple[Path, ...]
    left_out: tuple[Path, ...]
    unread: tuple[tuple[Path, str], ...]


def is_pile(path: Path) -> bool:
    """Whether `path` is a folder of recordings rather than a recording."""
    return path.is_dir() and not is_session(path)


def recordings_in(named: Sequence[Path], besides: Sequence[Path] = ()) -> Recordings:
    """The recordings at, and in, the paths `named`, without the files `besides`. Names that begin with a dot are
    hidden, in folders, and links to folders are not followed."""
    skipped = {path.absolute() for path in besides}
    found: dict[Path, None] = {}
    left_out: list[Path] = []
    unread: list[tuple[Path, str]] = []

    def refuse(error: OSError) -> None:
        unread.append((Path(error.filename), error.strerror or str(error)))

    for path in named:
        if not is_pile(path):
            found[path] = None
            continue
        for one in _inside(path, refuse):
            if one.absolute() in skipped:
                continue
            if one.is_dir() or recording_suffix(one) in SUFFIXES:
                found[one] = None
            else:
                left_out.append(one)
    return Recordings(tuple(found), tuple(left_out), tuple(unread))


def _inside(folder: Path, refuse: Callable[[OSError], None]) -> Iterator[Path]:
    for place, folders, files in os.walk(folder, onerror=refuse):
        here = Path(place)
        folders[:] = sorted(name for name in folders if not name.startswith("."))
        sessions = [name for name in folders if is_session(here / name)]
        folders[:] = [name for name in folders if name not in sessions]
        yield from sorted(here / name for name in (*sessions, *files) if not name.startswith("."))


def content_of(path: Path) -> str:
    """SHA-256 of the recording at `path`; of a session folder, of all files that a diagnosis reads.

    Raises:
        SourceError: it cannot be read.
    """
    digest = sha256()
    try:
        for one in files_read(path):
            digest.update(f"{one.name}\n{one.stat().st_size}\n".encode() if path.is_dir() else b"")
            with open_file(one) as file:
                while piece := file.read(AT_ONCE):
                    digest.update(piece)
    except OSError as error:
        raise SourceError(f"{path}: {error.strerror or error}") from None
    # The name says by which reader it is read.
    return sha256(f"{recording_suffix(path)}\n{path.suffix.lower()}\n{digest.hexdigest()}".encode()).hexdigest()


def files_read(path: Path) -> list[Path]:
    """The files that a diagnosis reads at `path`: itself, or those of a session folder."""
    if not path.is_dir():
        return [path]
    names = ("manifest.json", PROFILE, SAMPLES)
    return sorted(one for one in path.glob("*") if one.name in names or one.match("frames-*.log"))
