"""What a session knows of the car itself, and what changed since the session before.

Events come in, a `CarRecord` comes out: the last word of each control unit on its calibration and its fault codes.
`car_changes` compares two records; `last_car_record` finds the newest earlier session of the same car in a folder:
the same by the mark of its number, or by the profile where a car gives none.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from livewatch.data.events import Event, FaultCodesRead, IdentityRead, ReadinessRead
from livewatch.errors import LivewatchError
from livewatch.session.folder import Session

__all__ = ["CarChange", "CarRecord", "car_changes", "last_car_record"]

MOST_SESSIONS = 40
"""Sessions looked through, the newest first."""

_Kind = Literal["calibration", "calibration contents", "codes gone", "codes new", "codes cleared"]


@dataclass(frozen=True, slots=True)
class CarChange:
    """One thing that differs: of which control unit, from what to what."""

    kind: _Kind
    unit: str
    before: tuple[str, ...]
    after: tuple[str, ...]


@dataclass(slots=True)
class CarRecord:
    """Attributes:
    session: the folder it is of, empty for a run that goes on.
    name: of the profile.
    vehicle: the mark of the vehicle's number, None where the car gives none.
    said: (unit, kind) to texts: calibration, calibration verification, and codes by `stored`, `pending`, `permanent`.
    unfinished: monitors that had not finished, by unit.
    """

    session: str = ""
    name: str = ""
    vehicle: str | None = None
    said: dict[tuple[str, str], tuple[str, ...]] = field(default_factory=dict)
    unfinished: dict[str, tuple[str, ...]] = field(default_factory=dict)

    def hear(self, event: Event) -> None:
        """Take what a unit said of itself; anything else changes nothing."""
        match event:
            case IdentityRead(what="vehicle", texts=texts):
                self.vehicle = texts[0] if texts else None
            case IdentityRead(what=what, texts=texts, subject=unit):
                self.said[unit, what] = texts
            case FaultCodesRead(what=what, codes=codes, subject=unit):
                self.said[unit, what] = codes
            case ReadinessRead(unfinished=unfinished, subject=unit):
                self.unfinished[unit] = unfinished

    @property
    def knows_anything(self) -> bool:
        """Whether a unit said anything of itself."""
        return bool(self.said)


def last_car_record(parent: Path, record: CarRecord, but: Path) -> CarRecord | None:
    """The newest earlier session of the same car in `parent`, `but` aside; None where there is none."""
    try:
        folders = sorted((one for one in parent.iterdir() if one.is_dir() and one != but), key=_age)
    except OSError:
        return None
    for path in folders[:MOST_SESSIONS]:
        found = _read(path)
        if found is None or not found.knows_anything:
            continue
        if found.vehicle == record.vehicle if record.vehicle and found.vehicle else found.name == record.name:
            return found
    return None


def _age(path: Path) -> float:
    try:
        return -path.stat().st_mtime
    except OSError:
        return 0.0


def _read(path: Path) -> CarRecord | None:
    try:
        folder = Session.open(path)
        record = CarRecord(path.name, folder.manifest.name)
        for logged in folder.events():
            record.hear(logged.event)
    except (LivewatchError, OSError):
        return None
    return record


def car_changes(before: CarRecord, now: CarRecord) -> Iterator[CarChange]:
    """What differs in what both know."""
    for unit, kind in now.said:
        old, new = before.said.get((unit, kind)), now.said[unit, kind]
        if old is None or old == new:
            continue
        if kind == "calibration":
            yield CarChange("calibration", unit, old, new)
        elif kind == "calibration verification":
            if _same(before.said, now.said, (unit, "calibration")):
                yield CarChange("calibration contents", unit, old, new)
        elif kind == "stored":
            gone, come = _without(old, new), _without(new, old)
            if gone:
                started_over = set(now.unfinished.get(unit, ())) - set(before.unfinished.get(unit, ()))
                yield CarChange("codes cleared" if started_over else "codes gone", unit, gone, new)
            if come:
                yield CarChange("codes new", unit, old, come)


def _same(
    before: Mapping[tuple[str, str], object], now: Mapping[tuple[str, str], object], key: tuple[str, str]
) -> bool:
    return before.get(key) == now.get(key)


def _without(some: Iterable[str], others: Iterable[str]) -> tuple[str, ...]:
    return tuple(one for one in some if one not in set(others))
