"""A session that was cut off (an empty battery, a killed process, a machine that went to sleep for good) carried on.

What it recorded is read through the new run first, and recorded in the new folder like anything else, so that alarms,
corrections and pulls stand where they stood; what a person did there (alarms acknowledged or shelved, marks, notes) is
done again at the same moments. The time between is a gap that everybody sees. The old folder stays as it is.
"""

from __future__ import annotations

import hashlib
import sys
import time
from pathlib import Path

import click

from livewatch import LivewatchError, Profile, Recorder, Run, Session, open_source, parse_utc
from livewatch.commands.page import say
from livewatch.run.answers import push_with_answers
from livewatch.run.recording_rows import RecordingRows

__all__ = ["carry_on", "session_to_carry_on"]

WITHIN = 12 * 3_600_000_000_000
"""Nanoseconds since its last row within which a session is offered to be carried on."""
MOST_LOOKED_AT = 20


def session_to_carry_on(parent: Path, profile: Profile, wanted: bool | None) -> Session | None:
    """The newest session in `parent` when it was cut off, with the same profile and not long ago, and the person wants
    it carried on: `wanted`, or asked where that is None and somebody is there to answer."""
    found = _cut_off(parent, profile)
    if found is None or wanted is False:
        return None
    said = f"Session {found.path.name} was cut off at {found.manifest.data_end}; it is whole up to there."
    if wanted is None and not sys.stdin.isatty():
        say(f"{said} --carry-on carries it on.", error=True)
        return None
    say(said, error=True)
    return found if wanted or click.confirm("Carry it on?", default=True, err=True) else None


def _cut_off(parent: Path, profile: Profile) -> Session | None:
    digest = hashlib.sha256(profile.text.encode()).hexdigest()
    try:
        folders = [one for one in parent.iterdir() if one.is_dir()]
    except OSError:
        return None
    newest: tuple[int, Session] | None = None
    for path in sorted(folders, key=lambda one: one.name[-20:], reverse=True)[:MOST_LOOKED_AT]:
        try:
            folder = Session.open(path)
        except LivewatchError:
            continue
        manifest = folder.manifest
        end = None if manifest.data_end is None else parse_utc(manifest.data_end)
        if end is None or manifest.profile_sha256 != digest or manifest.state == "running":
            continue
        if newest is None or end > newest[0]:
            newest = end, folder
    if newest is None or newest[1].manifest.state != "killed" or time.time_ns() - newest[0] > WITHIN:
        return None
    return newest[1]


def carry_on(before: Session, run: Run, recorder: Recorder) -> None:
    """Read what `before` recorded through the run that is about to begin.

    Raises:
        SourceError: nothing of it can be read.
    """
    say(f"Reading what {before.path.name} holds...", error=True)
    recorder.may_wait = True
    recording = RecordingRows(lambda: open_source(before.path, run.profile))
    for refused in push_with_answers(recording, run, [logged.event for logged in before.events()]):
        say(f"Not carried over: {refused}", error=True)
    recorder.may_wait = False
