"""A build as somebody tells it: which question comes next, what the answers amount to, and the sheet they make.

Answers come in one by one, in any order, each of them perhaps "I don't know"; a `BuildSheet` comes out at any time,
and `answer.answer_of` says what it means so far. Only what matters for the engine is asked, the most telling first; a
number that would tell nothing without another that is not known is not asked for. What a sheet holds that nobody is
asked about (working points, octane) is kept.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import get_args

from livewatch.build_sheet.intake.questions import (
    ENGINE_QUESTIONS,
    NO_HOUSING,
    OTHER,
    PARTS,
    SIDES,
    UNKNOWN,
    Choice,
    Measure,
    Question,
)
from livewatch.build_sheet.parts import SLOTS, Entry, Part, Quantity, Slots, WorkingPoints
from livewatch.build_sheet.sheet import SAME, BuildSheet, EngineSaid
from livewatch.errors import UsageError
from livewatch.profile.model import Engine, Profile
from livewatch.profile.units import UnitError, parse_quantity

__all__ = ["SOME_PART", "Intake"]

SOME_PART = "another one"
"""Identity of a part of which nothing is known but that it is another."""
_KINDS: Mapping[str, type[Part]] = {
    slot: next(one for one in get_args(field.annotation) if one is not type(None))
    for slot, field in Slots.model_fields.items()
}
_DEPENDS = {"at": "flow", "referenced_to": "set_pressure"}
"""Numbers that tell nothing without another."""


class Intake:
    """Args:
    profile: the car's, where there is one: its engine is not asked about.
    sheet: what is known already.
    name: of a new sheet.

    Attributes:
        name: the sheet's name.
        said: answers by the key of their question; what is typed stays as it was typed.
    """

    def __init__(self, profile: Profile | None = None, sheet: BuildSheet | None = None, name: str = "") -> None:
        self.profile = profile
        self.name = name or (sheet.name if sheet is not None else "")
        self.said: dict[str, str] = {}
        self._points = WorkingPoints() if sheet is None else sheet.working_points
        if sheet is not None:
            self.said.update(_said_by(sheet))

    @property
    def engine(self) -> Engine | None:
        """The profile's engine."""
        return None if self.profile is None else self.profile.engine

    def fact(self, name: str) -> str:
        """`induction` or `air_metering` of the engine; empty where it is not known."""
        if self.engine is not None:
            return str(getattr(self.engine, name))
        said = self.said.get(f"engine.{name}", "")
        return "" if said == UNKNOWN else said

    def slots(self) -> list[str]:
        """The slots that matter for this engine, the most telling first; those that may where it is not known."""
        metering, induction = self.fact("air_metering"), self.fact("induction")
        turbo = induction not in ("naturally_aspirated", "supercharged")
        wanted = {
            "air_meter_housing": metering != "speed_density",
            "intake": metering != "speed_density",
            "injectors": True,
            "fuel": True,
            "turbocharger": turbo,
            "downpipe": turbo or metering != "mass_air_flow",
            "wastegate_actuator": turbo,
            "boost_control_solenoid": turbo,
            "fuel_pump": True,
            "intercooler": induction != "naturally_aspirated",
        }
        return [slot for slot, is_wanted in wanted.items() if is_wanted]

    def questions(self) -> list[Question]:
        """Every question that matters, as far as is known, in order."""
        found = [] if self.engine is not None else list(ENGINE_QUESTIONS)
        for slot in self.slots():
            found.append(_about(slot))
            if self.said.get(slot) == OTHER:
                found += self._particulars(slot)
        return found

    def next_question(self) -> Question | None:
        """The first that has no answer; None when all have one."""
        return next((one for one in self.questions() if one.key not in self.said), None)

    def give(self, question: Question, text: str) -> str:
        """Take an answer; `UNKNOWN` or nothing is one. What comes back is how it was understood, in words.

        Raises:
            UnitError: it is no such number; nothing was taken.
            UsageError: it is none of the choices.
        """
        text = text.strip()
        words = self.understood(question, text)
        self.said[question.key] = self._stored(question, text)
        if question.key in PARTS and self.said[question.key] != OTHER:
            for key in [key for key in self.said if key.startswith(f"{question.key}.fitted.")]:
                del self.said[key]
        return words

    def ask_unknown_again(self) -> None:
        """Take back every "I don't know"."""
        self.said = {key: value for key, value in self.said.items() if value != UNKNOWN}

    def understood(self, question: Question, text: str) -> str:
        """How an answer would be understood, in words.

        Raises:
            UnitError, UsageError: as `give`.
        """
        text = text.strip()
        if text in ("", UNKNOWN):
            return "not known"
        if isinstance(question.answer, Choice):
            words = {value: words for words, value in question.answer.options}
            if text not in words:
                raise UsageError(f"{text!r} is none of the answers")
            return words[text]
        if isinstance(question.answer, Measure):
            number = self._read(question, self._stored(question, text))
            unit = question.answer.unit
            return f"{number.value:.4g}" + ("" if unit == "1" else f" {unit}") if unit != "cm^3/min" else _flow(number)
        return text

    def sheet(self, file: str = "") -> BuildSheet:
        """What was told so far."""
        engine = {key.split(".")[1]: text for key, text in self.said.items() if key.startswith("engine.")}
        engine = {key: text for key, text in engine.items() if text != UNKNOWN}
        if self.said.get("air_meter_housing") == NO_HOUSING:
            engine["meter_sits_in"] = "intake"
        sides: dict[str, dict[str, Part]] = {side: dict(self._parts(side)) for side in SIDES}
        return BuildSheet(
            self.name or "a car",
            file,
            sides["calibrated_for"],
            sides["fitted"],
            frozenset(slot for slot in SLOTS if self.said.get(slot) == SAME),
            self._points,
            EngineSaid.model_validate(engine),
            tuple(slot for slot in SLOTS if self.said.get(slot) == UNKNOWN),
        )

    def _parts(self, side: str) -> Iterator[tuple[str, Part]]:
        for slot in SLOTS:
            start = f"{slot}.{side}."
            stated = {
                key.removeprefix(start): text
                for key, text in self.said.items()
                if key.startswith(start) and text != UNKNOWN
            }
            if "dead_time" in stated:
                stated.setdefault("dead_time_at", "14 V")
            if side == "fitted":
                if self.said.get(slot) != OTHER:
                    continue
                if not stated:
                    stated = {"part": SOME_PART}
            if stated:
                yield slot, _KINDS[slot].model_validate(stated)

    def _particulars(self, slot: str) -> Iterator[Question]:
        """The numbers of a part that is another one, and its name."""
        numbers = PARTS[slot].numbers
        if slot == "intake" and self.said.get("air_meter_housing") != NO_HOUSING:
            numbers = {}  # the meter has a housing of its own, or may have: this bore sets no scale
        for side, where in SIDES.items():
            for key, (words, kind) in numbers.items():
                needed = [f"{slot}.{side}.{_DEPENDS[key]}"] if key in _DEPENDS else []
                if side == "calibrated_for":
                    needed.append(f"{slot}.fitted.{key}")
                if not any(self.said.get(one) == UNKNOWN for one in needed):
                    text = f"What is {words} of the {slot.replace('_', ' ')} {where}?"
                    text = _FUEL_TEXTS[side] if key == "name" else text
                    yield Question(f"{slot}.{side}.{key}", text, PARTS[slot].why, kind)
        if slot != "fuel":
            name = slot.replace("_", " ")
            why = "The name is for the workshop; another name is another part, whatever its numbers."
            yield Question(f"{slot}.fitted.part", f"What is written on the {name} now (maker, part number)?", why, None)

    def _stored(self, question: Question, text: str) -> str:
        """As it goes into the sheet: a bare number with the unit that was asked for."""
        if text in ("", UNKNOWN):
            return UNKNOWN
        if isinstance(question.answer, Measure):
            text = text.replace("″", " in").replace('"', " in")
            plain = text.replace(",", ".", 1) if text.count(",") == 1 and "." not in text else text
            try:
                float(plain)
            except ValueError:
                return plain
            return plain if question.answer.unit == "1" else f"{plain} {question.answer.unit}"
        return text

    def _read(self, question: Question, text: str) -> Quantity:
        slot, *_, key = question.key.split(".")
        kind: type[Entry] = EngineSaid if slot == "engine" else _KINDS[slot]
        return _validated(lambda: kind.model_validate({key: text}), key)


_FUEL_TEXTS: Mapping[str, str] = {
    "fitted": "Which fuel is in the tank now?",
    "calibrated_for": "Which fuel was the calibration written for?",
}


def _about(slot: str) -> Question:
    options = [
        ("It is the one the calibration was written for", SAME),
        ("It is another one", OTHER),
    ]
    if slot == "air_meter_housing":
        options.append(("It has none of its own: the meter sits in the intake tube", NO_HOUSING))
    part = PARTS[slot]
    return Question(slot, f"{part.name[:1].upper()}{part.name[1:]}?", part.why, Choice(tuple(options)))


def _validated(read: Callable[[], Entry], key: str) -> Quantity:
    from pydantic import ValidationError

    try:
        number = getattr(read(), key)
    except ValidationError as error:
        raise UnitError(error.errors()[0]["msg"].removeprefix("Value error, ")) from None
    assert isinstance(number, Quantity)
    return number


def _flow(number: Quantity) -> str:
    """A flow of fuel in both ways that people write it."""
    try:
        by_volume = parse_quantity(number.text, "cm^3/min")
    except UnitError:
        by_volume = number.value * 60.0 / 0.745
    return f"{by_volume:.4g} cm^3/min ({number.value:.3g} g/s of gasoline)"


def _said_by(sheet: BuildSheet) -> dict[str, str]:
    """The answers that a sheet holds."""
    said: dict[str, str] = {f"engine.{key}": number.text for key, number in sheet.engine.numbers.items()}
    for key in ("induction", "air_metering"):
        if value := getattr(sheet.engine, key):
            said[f"engine.{key}"] = value
    tube = sheet.calibrated_for.get("intake")
    in_tube = sheet.engine.meter_sits_in == "intake" or (tube is not None and "bore" in tube.numbers)
    if in_tube and "air_meter_housing" not in {*sheet.fitted, *sheet.calibrated_for, *sheet.same}:
        said["air_meter_housing"] = NO_HOUSING
    for slot in SLOTS:
        if slot in sheet.same:
            said[slot] = SAME
        elif slot in sheet.fitted:
            said[slot] = OTHER
        elif slot in sheet.unknown:
            said[slot] = UNKNOWN
    for side, parts in (("fitted", sheet.fitted), ("calibrated_for", sheet.calibrated_for)):
        for slot, part in parts.items():
            texts = {**part.words, **{key: number.text for key, number in part.numbers.items()}}
            if part.part and part.part != SOME_PART:
                texts["part"] = part.part
            said.update({f"{slot}.{side}.{key}": text for key, text in texts.items()})
    return said
