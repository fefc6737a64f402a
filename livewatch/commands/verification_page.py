"""What `livewatch replay --verify` says: whether today's livewatch gives the recorded events, and what differs."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from pathlib import Path

from livewatch import Difference, LivewatchError, SourceError, Verification, profile_for, recordings_in, verify
from livewatch.commands.lines import say
from livewatch.commands.page import Page
from livewatch.wording.events import clock_text

__all__ = ["DIFFERS", "print_verification"]

DIFFERS = 7
"""Exit code."""
MOST_SHOWN = 40
LONGEST_VALUE = 60


def print_verification(path: Path, profile_name: str | None, as_json: bool) -> int:
    """Verify the session folder at `path`, or every one in it; the worst exit code comes back.

    Raises:
        LivewatchError: the only folder cannot be read.
    """
    found = recordings_in([path])
    folders = [one for one in found.paths if one == path or one.is_dir()]
    for place, why in found.unread:
        say(f"Not looked into: {place}: {why}", error=True)
    if not folders:
        raise SourceError(f"{path}: no session folder is in it")
    code = SourceError.exit_code if found.unread else 0
    for folder in folders:
        try:
            profile = None if profile_name is None else profile_for(folder, profile_name)
            said = verify(folder, profile)
        except LivewatchError as error:
            if len(folders) == 1:
                raise
            say(f"livewatch: {error}", error=True)
            code = max(code, error.exit_code)
            continue
        _tell(said, as_json)
        code = max(code, 0 if said.agrees else DIFFERS)
    return code


def _tell(said: Verification, as_json: bool) -> None:
    if as_json:
        say(json.dumps(said.to_json(), ensure_ascii=False, allow_nan=False))
        return
    console = Page(soft_wrap=True)
    for line in _lines(said):
        console.print(line)


def _lines(said: Verification) -> Iterator[str]:
    if said.agrees:
        yield f"= {said.path}: today's livewatch gives the same {said.recorded} events."
    else:
        yield (
            f"! {said.path}: today's livewatch gives other events than the {said.recorded} on record "
            f"(recorded by livewatch {said.livewatch}):"
        )
    for one in said.differences[:MOST_SHOWN]:
        yield f"  {_sentence(one)}"
    if len(said.differences) > MOST_SHOWN:
        yield f"  ... and {len(said.differences) - MOST_SHOWN} more; --json has them all."
    for refused in said.refused:
        yield f"  an answer of a person cannot be given today: {refused}"
    if said.answers:
        yield f"  {said.answers} answers of a person were given again at their moments."
    if said.state != "ended":
        yield f"  The run was {said.state}: {said.after} events come after the last one on record."
    if said.odd:
        yield f"  Odd in the recording: {', '.join(f'{number} {kind}' for kind, number in said.odd.items())}."


def _sentence(one: Difference) -> str:
    what = " ".join(part for part in (one.event, one.subject.replace("_", " "), one.transition) if part)
    start = f"{clock_text(one.time):>8}  {what}"
    if one.what == "missing":
        return f"{start}: on record, not found today"
    if one.what == "new":
        return f"{start}: found today, not on record"
    return f"{start}: {_changes(one.fields)}"


def _changes(fields: Sequence[tuple[str, object, object]]) -> str:
    return "; ".join(f"{name} {_short(today)} instead of {_short(recorded)}" for name, recorded, today in fields)


def _short(value: object) -> str:
    text = json.dumps(value, ensure_ascii=False)
    return text if len(text) <= LONGEST_VALUE else text[: LONGEST_VALUE - 1] + "…"
