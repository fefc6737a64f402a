"""A build sheet as the YAML that people read and change: with comments, and nothing that was not told.

A `BuildSheet` comes in; a text goes out that `read_build_sheet` reads back to the same. Numbers stand as they were
typed.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping

from livewatch.build_sheet.intake.questions import PARTS
from livewatch.build_sheet.parts import SLOTS, Entry, Part
from livewatch.build_sheet.sheet import SAME, BuildSheet

__all__ = ["HEADER", "sheet_text"]

HEADER = "# Build sheet: what the calibration was written for, and what is on the car."
_WORDS = frozenset(
    ("turbocharged", "supercharged", "naturally_aspirated", "mass_air_flow", "speed_density", "intake", "housing")
)
_PLAIN = frozenset("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789 ./%^_-()")


def sheet_text(sheet: BuildSheet, profile_name: str = "PROFILE") -> str:
    """The file's content."""
    return "\n".join(_lines(sheet, profile_name)) + "\n"


def _lines(sheet: BuildSheet, profile_name: str) -> Iterator[str]:
    yield HEADER
    yield "#"
    yield f"#   livewatch sheet {sheet.file or 'FILE'}                 carry on with it"
    yield f"#   livewatch check -p {profile_name} {sheet.file or 'FILE'}      what it means, before a wheel turns"
    yield "#"
    yield "# A part is the numbers that matter, each with its unit, a name (`part`), or both; `same` is the part that"
    yield "# the calibration was written for. What is left out is not guessed. A sheet is what somebody said:"
    yield "# nothing in it is measured."
    yield ""
    yield "build_sheet: 1"
    yield f"name: {_scalar(sheet.name)}"
    if engine := _engine(sheet):
        yield ""
        yield "# As it was said; predictions take the engine from the profile, where there is one."
        yield f"engine: {_mapping(engine)}"
    yield ""
    yield from _side("calibrated_for", {slot: _part(part) for slot, part in sheet.calibrated_for.items()})
    yield ""
    fitted = {slot: _part(part) for slot, part in sheet.fitted.items()}
    yield from _side("fitted", {**fitted, **dict.fromkeys(sheet.same, SAME)}, comments=True)
    if sheet.unknown:
        yield ""
        yield "# Asked about, and nobody knew."
        yield f"unknown: [{', '.join(sheet.unknown)}]"
    points = {name: _texts(getattr(sheet.working_points, name)) for name in ("idle", "cruise", "full_load")}
    if any(points.values()):
        yield ""
        yield "# Where to work the predictions out."
        yield "working_points:"
        for name, texts in points.items():
            if texts:
                yield f"  {name}: {_mapping(texts)}"


def _side(name: str, parts: Mapping[str, str], comments: bool = False) -> Iterator[str]:
    if not parts:
        yield f"{name}: {{}}"
        return
    yield f"{name}:"
    for slot in SLOTS:
        if slot in parts:
            if comments and parts[slot] != SAME:
                yield f"  # {PARTS[slot].why}"
            yield f"  {slot}: {parts[slot]}"


def _engine(sheet: BuildSheet) -> dict[str, str]:
    said = _texts(sheet.engine)
    for key in ("induction", "air_metering", "meter_sits_in"):
        if value := getattr(sheet.engine, key):
            said[key] = value
    return said


def _part(part: Part) -> str:
    named = {"part": part.part} if part.part else {}
    return _mapping({**named, **part.words, **_texts(part)})


def _texts(entry: Entry) -> dict[str, str]:
    return {key: number.text for key, number in entry.numbers.items()}


def _mapping(texts: Mapping[str, str]) -> str:
    return "{" + ", ".join(f"{key}: {_scalar(text)}" for key, text in texts.items()) + "}"


def _scalar(text: str) -> str:
    """Plain where that is safe, else between quotes, as JSON writes a text: YAML reads it the same."""
    words = text.split(" ")
    if text in _WORDS or (text.isascii() and text.isdigit()):
        return text
    if text and set(text) <= _PLAIN and text[0].isalpha() and text == " ".join(words) and len(words) > 1:
        return text
    if text[:1].isdigit() and set(text) <= _PLAIN and len(words) == 2 and words[1]:
        return text
    return json.dumps(text)
