"""Resolved profiles kept between runs, so that a command need not work them out anew.

The name and content of a profile come in; what an earlier run has kept of it comes out, or nothing. An entry is found
by the content of the profile and by the code that resolves it, and believed only while every other file it was made
from has the content it had. Entries are JSON, data and no code; any of them may be deleted at any time, and one that
cannot be read, or makes no sense, is as if it were not there. The folder is the user's cache folder, or that named by
LIVEWATCH_CACHE (nothing is kept where that is empty); there are at most `MOST_ENTRIES`, the least used go first.
"""

from __future__ import annotations

import contextlib
import dataclasses
import hashlib
import importlib.util
import json
import os
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any

from livewatch.data.kept import kept_folder, write_whole
from livewatch.data.outside import read_file
from livewatch.profile import model
from livewatch.profile.formula import formula, plan
from livewatch.version import __version__

__all__ = ["ProfileCache"]

FORMAT = 1
MOST_ENTRIES = 64
LARGEST = 4 << 20
"""Bytes of an entry; a larger profile is not kept."""
LIBRARIES = ("cantools", "pint", "pydantic", "yaml")
"""What decides, besides livewatch's own code, what a profile resolves to."""
_CLASSES = {
    name: kind
    for module in (model, formula, plan)
    for name, kind in vars(module).items()
    if isinstance(kind, type) and dataclasses.is_dataclass(kind)
}
_FIELDS = {kind: [field.name for field in dataclasses.fields(kind)] for kind in _CLASSES.values()}


class ProfileCache:
    """The entry of one profile.

    Args:
        name: file name, or how messages name a text.
        content: the profile itself.
        folder: where the files it names are; None when it may name none.
    """

    def __init__(self, name: str, content: bytes, folder: Path | None) -> None:
        self._name = name
        self._folder = folder
        place = kept_folder("profiles")
        key = hashlib.sha256(f"{_code()}\n{name}\n{folder is None}\n".encode() + content).hexdigest()
        self._path = None if place is None else place / f"{key}.json"

    def read(self) -> model.Profile | None:
        """What was kept, None for nothing that can be believed."""
        if self._path is None:
            return None
        try:
            entry = json.loads(read_file(self._path), object_hook=_built)
            if not all(self._is_unchanged(name, digest) for name, digest in entry["files"]):
                return None
            profile = entry["profile"]
            os.utime(self._path)
        except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
            return None
        return profile if isinstance(profile, model.Profile) else None

    def write(self, profile: model.Profile, files: Mapping[str, str]) -> None:
        """Keep `profile`, made from `files` (path as seen from the folder, SHA-256); where it cannot be, leave it."""
        if self._path is None:
            return
        with contextlib.suppress(OSError, TypeError, KeyError, RecursionError):
            others = [[name, digest] for name, digest in files.items() if name != self._name]
            text = json.dumps({"files": others, "profile": _plain(profile)}, separators=(",", ":")).encode()
            if len(text) > LARGEST:
                return
            self._path.parent.mkdir(parents=True, exist_ok=True)
            write_whole(self._path, text)
            _forget(self._path.parent)

    def _is_unchanged(self, name: str, digest: str) -> bool:
        return self._folder is not None and hashlib.sha256(read_file(self._folder / name)).hexdigest() == digest


@cache
def _code() -> str:
    """What resolves profiles, so that an entry of other code is never found."""
    folder = Path(__file__).parent
    files = [folder.parent / "data" / "channels.py", *sorted(folder.rglob("*"))]
    for library in LIBRARIES:
        found = importlib.util.find_spec(library)
        if found is not None and found.origin is not None:
            files.append(Path(found.origin))
    lines = [f"{FORMAT} {__version__}"]
    for path in files:
        if path.suffix in (".py", ".yaml", ".txt"):
            state = path.stat()
            lines.append(f"{path} {state.st_size} {state.st_mtime_ns}")
    return hashlib.sha256("\n".join(lines).encode()).hexdigest()


def _forget(folder: Path) -> None:
    """Delete the entries least recently used, and what writers that were killed left behind."""
    entries = sorted(folder.iterdir(), key=lambda path: path.stat().st_mtime_ns, reverse=True)
    for path in entries[MOST_ENTRIES:]:
        path.unlink(missing_ok=True)


def _plain(value: Any) -> Any:
    """`value` as JSON has it: a dataclass as its name and fields, a mapping as pairs."""
    if value is None or isinstance(value, str | bool | int | float):
        return value
    if isinstance(value, tuple | list):
        return [_plain(one) for one in value]
    if isinstance(value, Mapping):
        return {"pairs": [[_plain(key), _plain(one)] for key, one in value.items()]}
    return {"kind": type(value).__name__, "fields": [_plain(getattr(value, name)) for name in _FIELDS[type(value)]]}


def _built(found: dict[str, Any]) -> Any:
    if "kind" in found:
        return _CLASSES[found["kind"]](*map(_tuples, found["fields"]))
    if "pairs" in found:
        return {key: _tuples(value) for key, value in found["pairs"]}
    return found


def _tuples(value: Any) -> Any:
    return tuple(map(_tuples, value)) if isinstance(value, list) else value
