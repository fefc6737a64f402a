"""Where fitted and calibrated parts differ, and where a sheet does not say enough to tell.

A `BuildSheet` and an engine come in; `Difference`s and what cannot be compared go out. A name is an identity: another
name is another part, whatever its numbers. A part that one side does not name is not taken for the same one.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import isclose

from livewatch.build_sheet.parts import SLOTS, FuelInTank, Part
from livewatch.build_sheet.physics import fuel_facts
from livewatch.build_sheet.sheet import BuildSheet
from livewatch.profile.model import Engine

__all__ = ["BOOSTED_SLOTS", "Difference", "differences", "not_compared"]

BOOSTED_SLOTS = frozenset({"turbocharger", "wastegate_actuator", "boost_control_solenoid", "intercooler"})
"""Slots that only an engine with forced induction has."""
TURBO_SLOTS = BOOSTED_SLOTS - {"intercooler"}
_NEARLY = 1e-3


@dataclass(frozen=True, slots=True)
class Difference:
    """One slot whose fitted part (`after`) is not known to be the one calibrated for (`before`; None where the sheet
    does not say)."""

    slot: str
    before: Part | None
    after: Part

    def both(self, key: str) -> tuple[float, float] | None:
        """(calibrated, fitted) of one number, None unless both are stated."""
        if self.before is None:
            return None
        before, after = self.before.numbers.get(key), self.after.numbers.get(key)
        return None if before is None or after is None else (before.value, after.value)

    def is_changed(self, *keys: str) -> bool:
        """Whether any of these numbers is stated on both sides and differs."""
        return any(not _same_number(*pair) for key in keys if (pair := self.both(key)) is not None)

    def lacking(self, *keys: str) -> str | None:
        """Which of these keys of the sheet which side lacks: "`flow` and `at` of the fitted part"."""
        gone: dict[str, str] = {}
        for side, part in (("calibrated", self.before), ("fitted", self.after)):
            stated = {} if part is None else {**part.numbers, **part.words}
            if names := " and ".join(f"`{key}`" for key in keys if key not in stated):
                gone[names] = "both parts" if names in gone else f"the {side} part"
        return ", ".join(f"{names} of {whose}" for names, whose in gone.items()) or None

    @property
    def found(self) -> str:
        """Both parts in words."""
        before = "a part that the sheet does not state" if self.before is None else str(self.before)
        return f"fitted {self.after}; calibrated for {before}"


def differences(sheet: BuildSheet) -> Iterator[Difference]:
    """Every slot where the fitted part is stated and is not known to be the one calibrated for."""
    for slot in SLOTS:
        after, before = sheet.fitted.get(slot), sheet.calibrated_for.get(slot)
        if after is not None and (before is None or not _is_same(before, after)):
            yield Difference(slot, before, after)


def not_compared(sheet: BuildSheet, engine: Engine) -> list[str]:
    """Slots that this kind of engine has and of which the sheet does not state the fitted part."""
    left_out: set[str] = set()
    if engine.induction == "naturally_aspirated":
        left_out |= BOOSTED_SLOTS
    if engine.induction == "supercharged":
        left_out |= TURBO_SLOTS
    tube = sheet.calibrated_for.get("intake")
    if engine.air_metering == "speed_density" or (tube is not None and "bore" in tube.numbers):
        # Nothing is metered, or the meter sits in the tube itself.
        left_out.add("air_meter_housing")
    return [slot for slot in SLOTS if slot not in left_out | set(sheet.fitted) | sheet.same]


def _is_same(before: Part, after: Part) -> bool:
    if isinstance(before, FuelInTank) and isinstance(after, FuelInTank):
        return _is_same_fuel(before, after)
    if bool(before.part) != bool(after.part):
        return False
    old, new = before.numbers, after.numbers
    same = all(_same_number(old[key].value, new[key].value) for key in old.keys() & new.keys())
    same = same and all(before.words[key] == after.words[key] for key in before.words.keys() & after.words.keys())
    if before.part:
        return same and _same_name(before.part, after.part)
    return same and old.keys() == new.keys() and before.words.keys() == after.words.keys()


def _is_same_fuel(before: FuelInTank, after: FuelInTank) -> bool:
    facts = fuel_facts(before), fuel_facts(after)
    octane = before.octane, after.octane
    if octane[0] is not None and octane[1] is not None and octane[0].value != octane[1].value:
        return False
    if facts[0] is not None and facts[1] is not None:
        return _same_number(facts[0].ratio, facts[1].ratio)
    return facts == (None, None) and _same_name(before.part, after.part)


def _same_number(before: float, after: float) -> bool:
    return isclose(before, after, rel_tol=_NEARLY, abs_tol=1e-12)


def _same_name(before: str | None, after: str | None) -> bool:
    return bool(before and after) and str(before).casefold().split() == str(after).casefold().split()
