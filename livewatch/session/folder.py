"""A session folder: what a run was told, what it received, what it said.

A profile and the names of the sources go in; a folder `<name>-<UTC start>` comes out for the recorder to fill. A path
goes in; the same folder comes out again, whether its run ended, was killed, or is still going on:

    manifest.json    versions, hashes, start, sources, state (see `manifest`)
    profile.yaml     the resolved profile; it reads back without any other file
    frames-0001.log  the raw frames as they came, candump text, cut into parts of 64 MiB
    samples.csv      samples that did not come from frames (see `samples`)
    events.jsonl     everything livewatch said (see `log`)

Opening changes nothing in the folder.
"""

from __future__ import annotations

import contextlib
import os
import re
import threading
import time
import unicodedata
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from hashlib import sha256
from pathlib import Path

from livewatch.data.events import RunEnded, RunStarted, utc_text
from livewatch.data.outside import open_file, read_file
from livewatch.errors import LivewatchError, SourceError
from livewatch.profile import load_profile_text
from livewatch.profile.model import Profile
from livewatch.session.line_file import sync_folder
from livewatch.session.log import EventLog, open_log
from livewatch.session.manifest import (
    MANIFEST_FORMAT,
    Manifest,
    ManifestError,
    package_versions,
    read_manifest,
    write_manifest,
)
from livewatch.session.rows import SessionRows
from livewatch.session.running import is_being_written

__all__ = ["EVENTS", "PROFILE", "SAMPLES", "Session", "SessionError", "frame_part", "is_session", "open_session"]

EVENTS, PROFILE, SAMPLES = "events.jsonl", "profile.yaml", "samples.csv"
_PART = re.compile(r"frames-(\d{4,})\.log")
_STAMP = re.compile(rb"(?:^|\n)\((\d+\.\d+)\) [^\n]*(?=\n)")
"""The time of a whole line of the frame log."""
_STAMPED = re.compile(r"(?P<name>.*)-(?P<start>\d{8}T\d{6})Z(?:-\d+)?")


class SessionError(LivewatchError):
    """A session folder cannot be made, or its parts do not fit together."""


def frame_part(number: int) -> str:
    """Name of the part `number` of the frame log, counted from 1."""
    return f"frames-{number:04d}.log"


class Session:
    """Made by `create` or `open`.

    Attributes:
        path: where it is.
        manifest: what it says about itself; rebuilt from the other files where they say more.
        rebuilt: why the manifest had to be rebuilt, empty when it was whole.
    """

    def __init__(self, path: Path, manifest: Manifest, rebuilt: str = "", profile: Profile | None = None) -> None:
        self.path = path
        self.manifest = manifest
        self.rebuilt = rebuilt
        self._profile = profile
        self._restoring = threading.Lock()

    @classmethod
    def create(cls, parent: Path, profile: Profile, sources: Sequence[str], start: int | None = None) -> Session:
        """Make a new folder in `parent` (made as well when it is not there), named after the profile and the start.

        Args:
            sources: what is watched, as the user wrote it.
            start: the host's clock at the start, ns since the Unix epoch; now when not given.

        Raises:
            SessionError: it cannot be made there.
        """
        start = time.time_ns() if start is None else start
        stamp = datetime.fromtimestamp(start // 1_000_000_000, UTC).strftime("%Y%m%dT%H%M%SZ")
        name = f"{_plain(profile.name)}-{stamp}"
        try:
            parent.mkdir(parents=True, exist_ok=True)
            path = _new_folder(parent, name)
            manifest = Manifest(
                name=profile.name,
                started=utc_text(start),
                sources=tuple(sources),
                profile_files=dict(profile.sources),
                profile_sha256=sha256(profile.text.encode()).hexdigest(),
                packages=package_versions(),
            )
            folder = cls(path, manifest, profile=profile)
            folder.restore()
            sync_folder(parent)
        except OSError as error:
            raise SessionError(
                f"cannot make a session folder in {parent}: {error.strerror or error}; "
                "expected a folder that may be written to, on a disk with free space"
            ) from error
        return folder

    @classmethod
    def open(cls, path: Path) -> Session:
        """Open what a run left behind.

        Raises:
            SourceError: there is no session folder at `path`, or a newer livewatch made it.
        """
        if not path.exists():
            raise SourceError(f"{path}: there is no such folder")
        if not path.is_dir():
            raise SourceError(f"{path}: this is a file, expected a session folder")
        if not is_session(path):
            raise SourceError(
                f"{path}: this is no session folder: none of manifest.json, {EVENTS} and {frame_part(1)} is in it; "
                "expected one, or a recording, by its name; `livewatch diagnose` takes a folder of them"
            )
        try:
            manifest, rebuilt = read_manifest(path), ""
        except ManifestError as error:
            if error.newer:
                raise SourceError(
                    f"{path / 'manifest.json'}: {error}, this livewatch reads up to {MANIFEST_FORMAT}; "
                    "use a newer livewatch"
                ) from None
            manifest, rebuilt = _guess(path), f"manifest.json: {error}"
        if manifest.state != "ended":
            running = is_being_written(path / EVENTS)
            manifest = replace(manifest, state="running" if running else "killed")
        folder = cls(path, manifest, rebuilt)
        if manifest.state != "ended":
            folder.manifest = replace(manifest, data_end=folder._last_moment())
        return folder

    @property
    def profile_text(self) -> str:
        """The resolved profile as YAML.

        Raises:
            SourceError: it is missing.
        """
        try:
            return read_file(self.path / PROFILE).decode()
        except FileNotFoundError:
            raise SourceError(f"{self.path / PROFILE}: it is missing; name a profile with --profile") from None
        except (OSError, ValueError) as error:
            raise SourceError(f"{self.path / PROFILE}: it cannot be read: {error}") from None

    def profile(self) -> Profile:
        """The profile the run was or is watched with.

        Raises:
            SourceError: it is missing.
            MistakesError: it was changed since, and has mistakes.
        """
        if self._profile is not None:
            return self._profile
        return load_profile_text(self.profile_text, str(self.path / PROFILE), self.path)

    def frame_parts(self) -> list[Path]:
        """The parts of the frame log, in order."""
        found = [(int(match[1]), path) for path in self.path.iterdir() if (match := _PART.fullmatch(path.name))]
        return [path for _, path in sorted(found)]

    def rows(self, profile: Profile) -> SessionRows:
        """What the run received, in the order it received it. `profile` says which channels there are for samples."""
        samples = self.path / SAMPLES
        return SessionRows(self.frame_parts(), samples if samples.is_file() else None, profile.index)

    def events(self) -> EventLog:
        """What the run said.

        Raises:
            SourceError: the log is missing or of a newer format.
        """
        return open_log(self.path / EVENTS)

    def _last_moment(self) -> str | None:
        """UTC of the last moment of data, for a run that could not say when it ended: that of its last event or of
        its last whole line of frames, whichever is later."""
        moments: list[str] = []
        with contextlib.suppress(SourceError):
            moments += [utc_text(logged.event.utc) for logged in open_log(self.path / EVENTS)][-1:]
        for part in self.frame_parts()[-1:]:
            with contextlib.suppress(OSError), open_file(part) as file:
                file.seek(max(0, part.stat().st_size - 4096))
                stamps = _STAMP.findall(file.read())
                moments += [utc_text(round(float(stamp) * 1e6) * 1000) for stamp in stamps[-1:]]
        return max(moments, default=None)

    def restore(self) -> None:
        """Write what a folder begins with: the profile, an empty event log, the manifest. The folder itself is made
        again when it is gone, unless its parent went as well.

        Raises:
            OSError: it cannot be written.
        """
        with self._restoring:
            self.path.mkdir(exist_ok=True)
            (self.path / PROFILE).write_bytes(self.profile().text.encode())
            (self.path / EVENTS).touch()
            write_manifest(self.path, self.manifest)
            sync_folder(self.path)

    def finish(self, data_end: int | None, counts: dict[str, int]) -> None:
        """Say that the run ended in good order. `data_end` is the source's clock at the end, ns since the Unix epoch.

        Raises:
            OSError: it cannot be written; the folder reads as killed then.
        """
        self.manifest = replace(
            self.manifest,
            state="ended",
            ended=utc_text(time.time_ns()),
            data_end=None if data_end is None else utc_text(data_end),
            counts=dict(sorted(counts.items())),
        )
        write_manifest(self.path, self.manifest)


def is_session(path: Path) -> bool:
    """Whether there is a session folder at `path`; one that may not be looked into is none."""
    names = ("manifest.json", EVENTS, frame_part(1))
    return os.access(path, os.R_OK | os.X_OK) and any((path / name).is_file() for name in names)


def open_session(path: Path | str) -> Session:
    """What a run left behind at `path`.

    Raises:
        SourceError: there is no session folder, or a newer livewatch made it.
    """
    return Session.open(Path(path))


def _plain(name: str) -> str:
    """A profile's name as a part of a file name that every system takes."""
    ascii_only = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode().lower()
    return re.sub(r"[^a-z0-9.]+", "-", ascii_only).strip("-.")[:60] or "session"


def _new_folder(parent: Path, name: str) -> Path:
    number = 1
    while True:
        path = parent / (name if number == 1 else f"{name}-{number}")
        try:
            path.mkdir()
        except FileExistsError:
            number += 1
        else:
            return path


def _guess(path: Path) -> Manifest:
    """A manifest from the folder's name and its other files."""
    named = _STAMPED.fullmatch(path.name)
    started = ""
    if named is not None:
        with contextlib.suppress(ValueError):  # it may only look like a time
            started = f"{datetime.strptime(named['start'], '%Y%m%dT%H%M%S'):%Y-%m-%dT%H:%M:%S}.000000Z"
    name = path.name if named is None else named["name"]
    state, data_end = "killed", None
    try:
        for logged in open_log(path / EVENTS):
            match logged.event:
                case RunStarted(utc=utc, profile=profile):
                    name, started = profile, started or utc_text(utc)
                case RunEnded(utc=utc):
                    state, data_end = "ended", utc_text(utc)
    except SourceError:
        pass
    text = read_file(path / PROFILE) if (path / PROFILE).is_file() else b""
    return Manifest(
        name=name,
        started=started,
        profile_sha256=sha256(text).hexdigest() if text else "",
        state=state,
        data_end=data_end,
        livewatch="unknown",
        python="unknown",
        platform="unknown",
    )
