"""What a session folder says about itself: `manifest.json`.

A `Manifest` goes in, the text of the file comes out, and the other way round. It is written when the run begins (state
`running`) and once more when it ends in good order (state `ended`), each time replaced as a whole, so that there is
never half a manifest. A manifest that is missing or damaged is rebuilt by the folder from its other files.

Format version 1, one JSON object::

    format          1
    livewatch       version of livewatch
    python          version of Python
    packages        name to version, of the libraries that decide what comes out
    platform        operating system and machine
    name            name of the profile
    started         UTC, when the run began, by the host's clock
    sources         what was watched, as the user wrote it
    profile_files   path of each file the profile was read from, to its SHA-256
    profile_sha256  SHA-256 of profile.yaml in the folder
    state           running, ended
    ended           UTC, when it ended, null before
    data_end        UTC by the source's clock, of the last moment of data, null when there was none
    counts          what was odd in the recording itself, by plain-worded kind
"""

from __future__ import annotations

import json
import os
import platform
import re
import sys
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

from livewatch.data.outside import read_file, read_json
from livewatch.version import __version__

__all__ = ["MANIFEST_FORMAT", "Manifest", "ManifestError", "package_versions", "read_manifest", "write_manifest"]

MANIFEST_FORMAT = 1
FILE = "manifest.json"
_INSTALLED = re.compile(r"(?P<name>[^-]+)-(?P<version>[^-]+)(?:-py[^-]*)?\.(?:dist|egg)-info")
_PACKAGES = ("numpy", "python-can", "cantools", "pint", "pydantic", "pyyaml", "aiomqtt")


class ManifestError(Exception):
    """The manifest is missing, damaged, or of a format this livewatch does not know (`newer`)."""

    def __init__(self, problem: str, newer: bool = False) -> None:
        super().__init__(problem)
        self.newer = newer


@dataclass(frozen=True, slots=True)
class Manifest:
    """See the module. `state` is `killed` only after reading: what a run that did not end in good order left behind."""

    name: str
    started: str
    sources: tuple[str, ...] = ()
    profile_files: Mapping[str, str] = field(default_factory=dict)
    profile_sha256: str = ""
    state: str = "running"
    ended: str | None = None
    data_end: str | None = None
    counts: Mapping[str, int] = field(default_factory=dict)
    livewatch: str = __version__
    python: str = platform.python_version()
    packages: Mapping[str, str] = field(default_factory=dict)
    platform: str = platform.platform()
    format: int = MANIFEST_FORMAT


def package_versions() -> dict[str, str]:
    """Versions of the libraries that decide what comes out, as the names of the folders say that an installer leaves
    beside them (PyPA, "Recording installed projects"): reading those folders takes ten times as long."""
    found: dict[str, str] = {}
    for place in sys.path:
        try:
            entries = [path.name for path in Path(place or ".").iterdir()]
        except OSError:  # no folder, or a packed one
            continue
        for entry in entries:
            named = _INSTALLED.fullmatch(entry)
            name = re.sub(r"[-_.]+", "-", named["name"]).lower() if named else ""
            if named and name in _PACKAGES:
                found.setdefault(name, named["version"])
    return {name: found[name] for name in _PACKAGES if name in found}


def write_manifest(folder: Path, manifest: Manifest) -> None:
    """Write it as a whole.

    Raises:
        OSError: it could not be written; the one before is still there.
    """
    text = json.dumps(asdict(manifest), ensure_ascii=False, indent=2) + "\n"
    waiting = folder / f"{FILE}.new"
    with waiting.open("w", encoding="utf-8", newline="\n") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    waiting.replace(folder / FILE)


def read_manifest(folder: Path) -> Manifest:
    """Read it.

    Raises:
        ManifestError: it is missing, damaged or too new.
    """
    try:
        record: Any = read_json(read_file(folder / FILE))
    except FileNotFoundError:
        raise ManifestError("it is missing") from None
    except (OSError, ValueError) as error:
        raise ManifestError(f"it is damaged ({type(error).__name__})") from None
    if not isinstance(record, dict) or not isinstance(record.get("format"), int):
        raise ManifestError("it is damaged (no format version)")
    if record["format"] > MANIFEST_FORMAT:
        raise ManifestError(f"it has format version {record['format']}", newer=True)
    shape: dict[str, type | tuple[type, ...]] = {
        "name": str, "started": str, "sources": list, "profile_files": dict, "profile_sha256": str, "state": str,
        "ended": (str, type(None)), "data_end": (str, type(None)), "counts": dict, "livewatch": str, "python": str,
        "packages": dict, "platform": str,
    }  # fmt: skip
    for key, kind in shape.items():
        if key not in record or not isinstance(record[key], kind):
            raise ManifestError(f"it is damaged (no {key})")
    try:
        for moment in (record["started"], record["ended"], record["data_end"]):
            datetime.fromisoformat(moment or "1970-01-01")
    except ValueError:
        raise ManifestError("it is damaged (a moment that is none)") from None
    if not all(isinstance(count, int) for count in record["counts"].values()):
        raise ManifestError("it is damaged (counts that are none)")
    record["sources"] = tuple(map(str, record["sources"]))
    return Manifest(**{key: record[key] for key in (*shape, "format")})
