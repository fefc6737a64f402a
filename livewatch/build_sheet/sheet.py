"""A build sheet: the parts a calibration was written for and the parts that are fitted, slot by slot.

In: a user's YAML. Out: a `BuildSheet` with every number in one fixed unit beside the text it was written as. A part is
described by the numbers that matter for its slot, by an identity (`part: plain text`), or both; whatever is left out is
None, never a default. All mistakes are reported at once, each with file, line, column and the nearest right name.

    build_sheet: 1
    name: Brackwell 2.0 turbo, wider intake
    calibrated_for:
      air_meter_housing: {part: housing A, bore: 66 mm}
      fuel: gasoline E10
    fitted:
      air_meter_housing: {part: housing B, bore: 70 mm}
      fuel: same

`engine` (what somebody said of it: induction, air metering, displacement, cylinders, where the meter sits) and
`unknown` (slots that were asked about without an answer) are for whoever carries on with a sheet: predictions take the
engine from the profile.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from livewatch.build_sheet.parts import SLOTS, Cylinders, Displacement, Entry, Part, Slots, WorkingPoints
from livewatch.data.outside import read_file
from livewatch.errors import Mistake, MistakesError
from livewatch.profile.document import Document, read_document

__all__ = ["SAME", "BuildSheet", "EngineSaid", "load_build_sheet", "read_build_sheet"]

SAME = "same"
"""The word for a part that is fitted as the calibration expects it."""


class EngineSaid(Entry):
    """What somebody said of the engine; all of it may be left out."""

    induction: Literal["turbocharged", "supercharged", "naturally_aspirated"] | None = None
    air_metering: Literal["mass_air_flow", "speed_density"] | None = None
    displacement: Displacement | None = None
    cylinders: Cylinders | None = None
    meter_sits_in: Literal["housing", "intake"] | None = None


class _SheetFile(Entry):
    build_sheet: Literal[1]
    name: str
    engine: EngineSaid = EngineSaid()
    calibrated_for: Slots
    fitted: Slots
    unknown: tuple[Literal[SLOTS], ...] = ()  # type: ignore[valid-type] # their names
    working_points: WorkingPoints = WorkingPoints()


@dataclass(frozen=True, slots=True)
class BuildSheet:
    """A build sheet as read from `file`.

    Attributes:
        calibrated_for, fitted: parts by slot; a slot that is not here is one the sheet says nothing about.
        same: slots whose fitted part is said to be the one calibrated for.
    """

    name: str
    file: str
    calibrated_for: Mapping[str, Part]
    fitted: Mapping[str, Part]
    same: frozenset[str]
    working_points: WorkingPoints
    engine: EngineSaid = EngineSaid()  # noqa: RUF009 - it never changes
    unknown: tuple[str, ...] = ()


def load_build_sheet(path: Path) -> BuildSheet:
    """The build sheet in the file at `path`.

    Raises:
        MistakesError: it cannot be read, or anything is wrong in it; all mistakes at once.
    """
    try:
        text = read_file(path).decode("utf-8-sig")
    except UnicodeDecodeError:
        raise MistakesError([Mistake(str(path), 0, 0, "is no UTF-8 text, as YAML has to be")]) from None
    except FileNotFoundError:
        raise MistakesError([Mistake(str(path), 0, 0, "there is no such file")]) from None
    except OSError as error:
        raise MistakesError([Mistake(str(path), 0, 0, f"cannot be read: {error.strerror or error}")]) from None
    return read_build_sheet(text, str(path))


def read_build_sheet(text: str, file: str) -> BuildSheet:
    """The build sheet in a text; `file` is how messages name it.

    Raises:
        MistakesError: anything is wrong in it; all mistakes at once.
    """
    document = read_document(text, file)
    if not isinstance(document.data, dict):
        found = "is empty" if document.data is None else "is no build sheet"
        document.wrong((), f"{found}: expected keys such as build_sheet, name, calibrated_for, fitted")
        document.raise_mistakes()
    if "build_sheet" not in document.data and "profile" in document.data:
        document.wrong(("profile",), "is a profile: expected a build sheet, which begins `build_sheet: 1`", key=True)
        document.raise_mistakes()
    same = _taken_same(document)
    sheet = document.validate(_SheetFile)
    document.raise_mistakes()
    assert sheet is not None
    return BuildSheet(
        sheet.name,
        file,
        _stated(sheet.calibrated_for),
        _stated(sheet.fitted),
        same,
        sheet.working_points,
        sheet.engine,
        sheet.unknown,
    )


def _taken_same(document: Document) -> frozenset[str]:
    """Take the slots out of the fitted parts that say `same`; note the word where it makes no sense."""
    said: dict[str, set[str]] = {"calibrated_for": set(), "fitted": set()}
    for side, found in said.items():
        slots = document.data.get(side)
        if isinstance(slots, dict):
            found.update(slot for slot in SLOTS if slots.get(slot) == SAME)
            for slot in found:
                del slots[slot]
    for slot in said["calibrated_for"]:
        problem = f"found {SAME!r}, expected a part: {SAME!r} is a word for the fitted ones"
        document.wrong(("calibrated_for", slot), problem)
    return frozenset(said["fitted"])


def _stated(slots: Slots) -> dict[str, Part]:
    given = {slot: getattr(slots, slot) for slot in SLOTS}
    return {slot: part for slot, part in given.items() if isinstance(part, Part)}
