"""Rows of recordings kept on disk, so that a pile that was cut short goes on where it was.

A recording and the terms it is judged by come in; the row that an earlier run made of the same content, the same
profile and the same livewatch comes out, or nothing. Entries are JSON, data and no code, in the user's cache folder
(see `data.kept`); one that cannot be read, or makes no sense, is as if it were not there. There are at most
`MOST_ENTRIES`, the oldest go first.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from functools import cache
from hashlib import sha256
from pathlib import Path

import numpy as np

from livewatch.data.kept import kept_folder, write_whole
from livewatch.data.outside import read_file, read_json
from livewatch.diagnosis.pile.files import content_of
from livewatch.diagnosis.pile.processes import Pile
from livewatch.diagnosis.pile.row import PileRow
from livewatch.errors import LivewatchError
from livewatch.profile.model import Profile
from livewatch.version import __version__

__all__ = ["PileMemory", "code_state"]

FORMAT = 1
MOST_ENTRIES = 20_000
"""Of about 2 kB each."""


class PileMemory:
    """What is known of recordings read by one `Pile`."""

    def __init__(self, pile: Pile) -> None:
        self._folder = kept_folder("pile")
        stretch = pile.terms.stretch
        given = pile.profile
        said = [
            str(FORMAT),
            code_state(),
            given.text if isinstance(given, Profile) else str(given),
            *pile.bus_options,
            "" if stretch is None else f"{stretch.start} {stretch.stop}",
            "" if pile.baseline is None else content_of(pile.baseline),
            "" if pile.terms.build is None else content_of(Path(pile.terms.build.file)),
        ]
        self._terms = sha256("\0".join(said).encode()).hexdigest()

    @property
    def keeps(self) -> bool:
        """Whether anything is kept at all."""
        return self._folder is not None

    def key_of(self, recording: Path) -> str:
        """What its entry is found by; empty where it cannot be read, which whoever reads it will say."""
        try:
            return sha256(f"{self._terms}\n{content_of(recording)}".encode()).hexdigest()
        except LivewatchError:
            return ""

    def recall(self, key: str, recording: Path) -> PileRow | None:
        """What was kept, None for nothing that can be believed."""
        if self._folder is None or not key:
            return None
        try:
            row = PileRow.from_json(read_json(read_file(self._folder / f"{key}.json")))
        except (OSError, ValueError, KeyError, TypeError, AttributeError):
            return None
        return replace(row, recording=str(recording))

    def keep(self, key: str, row: PileRow) -> None:
        """Keep a row; one of a recording that could not be read is not kept, nor is any where the disk takes none."""
        if self._folder is None or not key or row.exit_code:
            return
        with suppress(OSError):
            self._folder.mkdir(parents=True, exist_ok=True)
            write_whole(self._folder / f"{key}.json", json.dumps(row.to_json(), allow_nan=False).encode())

    def forget(self) -> None:
        """Delete the oldest entries beyond the bound."""
        if self._folder is None:
            return
        with suppress(OSError):
            entries = list(self._folder.iterdir())
            if len(entries) > MOST_ENTRIES:
                age: Callable[[Path], int] = lambda path: path.stat().st_mtime_ns  # noqa: E731
                for path in sorted(entries, key=age)[: len(entries) - MOST_ENTRIES]:
                    path.unlink(missing_ok=True)


@cache
def code_state() -> str:
    """The version, and what of livewatch's files tells that the code is another."""
    folder = Path(__file__).parents[2]
    lines = [f"{__version__} numpy {np.__version__}"]
    for path in sorted(folder.rglob("*")):
        if path.suffix in (".py", ".yaml"):
            state = path.stat()
            lines.append(f"{path.relative_to(folder)} {state.st_size} {state.st_mtime_ns}")
    return sha256("\n".join(lines).encode()).hexdigest()
