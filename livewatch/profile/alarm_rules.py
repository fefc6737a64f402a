"""Alarms: entries of the profile to compiled alarms, and livewatch's own signature alarms where they can be built.

Alarm entries, the channels' units and the constants come in; `Alarm`s go out. The signature alarms come from
`defaults/signature_alarms.yaml`: each is taken when everything it reads exists in the profile. An entry of the same
name in the profile changes its fields; one with a `condition` of its own replaces it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache, lru_cache
from pathlib import Path
from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict

from livewatch.errors import nearest
from livewatch.profile.channel_binding import BoundChannels, Constants
from livewatch.profile.document import Document, KeyPath, read_document
from livewatch.profile.formula.compile import Condition, FormulaError, ages_in, compile_condition, names_in
from livewatch.profile.model import Alarm
from livewatch.profile.schema import AlarmEntry, ChannelEntry, SignatureAlarmsEntry
from livewatch.profile.units import UnitError, split_quantity

__all__ = ["SignatureDefaults", "add_signature_alarms", "compile_alarms", "signature_channels", "signature_defaults"]

DEFAULTS = Path(__file__).parent / "defaults" / "signature_alarms.yaml"


class SignatureAlarm(AlarmEntry):
    """An alarm of livewatch's own.

    `needs` are channels the profile must have besides those the formulas read; `instead_of` names alarms that make this
    one unnecessary where they can be built.
    """

    needs: tuple[str, ...] = ()
    instead_of: tuple[str, ...] = ()


def _ways(value: object) -> object:
    if not isinstance(value, list) or not all(isinstance(way, dict) for way in value):
        return [value] if isinstance(value, dict) else value
    said = {key: first[key] for first in value[:1] for key in ("unit", "meaning") if key in first}
    return [said | way for way in value]


class SignatureDefaults(BaseModel):
    """The file of livewatch's own alarms, and the channels they are built on.

    A channel may be written as a list of ways to compute it, the best first; one stands behind those that it reads.
    Unit and meaning are those of the first way where a later one says nothing else.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    channels: dict[str, Annotated[list[ChannelEntry], BeforeValidator(_ways)]] = {}
    alarms: dict[str, SignatureAlarm] = {}


@lru_cache(maxsize=1)
def signature_defaults(file: Path = DEFAULTS) -> SignatureDefaults:
    """livewatch's own alarms.

    Raises:
        MistakesError: the file is wrong, which is a fault of livewatch.
    """
    document = read_document(file.read_text(encoding="utf-8"), file.name)
    defaults = document.validate(SignatureDefaults)
    document.raise_mistakes()
    return defaults or SignatureDefaults()


def signature_channels(
    defaults: SignatureDefaults, entries: Mapping[str, ChannelEntry], constants: Constants
) -> dict[str, ChannelEntry]:
    """The channels of the defaults that are not in the profile and that alarms of the defaults need; each in the first
    way that can be computed. A way that reads ages, for what is asked seldom, is not for broadcast channels alone."""
    found: dict[str, ChannelEntry] = {}
    there = {*entries, *constants}
    broadcast = {name for name, entry in entries.items() if entry.signal is not None or entry.formula is not None}
    for name, ways in defaults.channels.items():
        if name in there:
            continue
        computable = (way for way in ways if _reads(way.formula) <= there)
        way = next((way for way in computable if not _ages(way.formula) or _ages(way.formula) - broadcast), None)
        if way is not None:
            found[name] = way.model_copy(update={"declared": False})
            there.add(name)
    needed: set[str] = set()
    for alarm in _necessary(_buildable(defaults, there)).values():
        needed |= _all_read(alarm)
    for name in reversed(found):
        if name in needed:
            needed |= _reads(found[name].formula)
    return {name: entry for name, entry in found.items() if name in needed}


def add_signature_alarms(
    defaults: SignatureDefaults,
    entries: Mapping[str, AlarmEntry],
    changes: SignatureAlarmsEntry,
    names: Iterable[str],
    document: Document,
) -> dict[str, AlarmEntry]:
    """All alarms of a profile: its own first, then those of the defaults whose `names` all exist."""
    there = set(names)
    for name in changes.changes:
        if name not in defaults.alarms:
            problem = f"unknown signature alarm {name!r}{nearest(name, defaults.alarms)}"
            document.wrong(("signature_alarms", name), problem, key=True)
    buildable = _buildable(defaults, there) if changes.enabled else {}
    alarms = {name: entry for name, entry in entries.items() if not _changes_only(entry, name, buildable)}
    for name, alarm in _necessary(buildable).items():
        if name in alarms:
            continue
        fields: dict[str, Any] = {"signature": True}
        for change in (changes.changes.get(name), entries.get(name)):
            fields |= {key: getattr(change, key) for key in change.model_fields_set} if change else {}
        values = {key: getattr(alarm, key) for key in AlarmEntry.model_fields} | fields
        alarms[name] = AlarmEntry.model_construct(**values)
    return alarms


def _buildable(defaults: SignatureDefaults, there: set[str]) -> dict[str, SignatureAlarm]:
    """The alarms of the defaults all of whose channels and constants are `there`."""
    return {name: alarm for name, alarm in defaults.alarms.items() if _all_read(alarm) <= there}


def _necessary(buildable: Mapping[str, SignatureAlarm]) -> dict[str, SignatureAlarm]:
    """Those that no other one makes unnecessary."""
    return {
        name: alarm for name, alarm in buildable.items() if not any(other in buildable for other in alarm.instead_of)
    }


def _all_read(alarm: SignatureAlarm) -> set[str]:
    formulas = (alarm.condition, alarm.enabled_while, alarm.suppress_when)
    return set(alarm.needs).union(*(_reads(formula) for formula in formulas))


def _changes_only(entry: AlarmEntry, name: str, buildable: Mapping[str, AlarmEntry]) -> bool:
    return entry.condition is None and name in buildable


@cache
def _reads(formula: str | None) -> frozenset[str]:
    """Of a formula of the defaults: each is asked for several times, and the same ones for every profile."""
    return frozenset() if formula is None else frozenset(names_in(formula, {}))


@cache
def _ages(formula: str | None) -> frozenset[str]:
    """The channels whose ages it reads."""
    return frozenset() if formula is None else frozenset(ages_in(formula))


@dataclass(frozen=True, slots=True)
class AlarmCompiler:
    """Compiles the alarms of one profile."""

    channels: BoundChannels
    constants: Constants
    document: Document

    def compile(self, name: str, entry: AlarmEntry) -> Alarm | None:
        """One alarm; None when it is wrong, or says that it is out of service."""
        path: KeyPath = ("alarms", name)
        if entry.condition is None or not (entry.action or "").strip():
            missing = "condition" if entry.condition is None else "action"
            if not self.document.is_broken((*path, missing)):
                says = "what makes it true" if missing == "condition" else "what the person should do now"
                self.document.wrong(path, f"{missing!r} is missing here: {says}", key=True)
        deadband = self._deadband(entry, path)
        condition = self._condition(entry, "condition", entry.condition, name, deadband)
        enable = self._condition(entry, "while", entry.enabled_while, name)
        suppress = self._condition(entry, "suppress_when", entry.suppress_when, name)
        if condition is None or not entry.action or not entry.in_service:
            return None
        more = [name for other in (enable, suppress) if other for name in other.condition.inputs]
        return Alarm(
            name=name,
            condition=condition.condition,
            clear=condition.clear,
            enable=enable.condition if enable else None,
            suppress=suppress.condition if suppress else None,
            on_delay=entry.on_delay,
            off_delay=entry.off_delay,
            priority=entry.priority,
            latching=entry.latching,
            action=entry.action.strip(),
            setpoint=condition.setpoint,
            evidence=tuple(dict.fromkeys((*condition.evidence, *more))),
            message=entry.message,
            signature=entry.signature,
        )

    def _deadband(self, entry: AlarmEntry, path: KeyPath) -> str | None:
        if entry.deadband is None:
            return None
        try:
            width, _ = split_quantity(entry.deadband)
        except UnitError as error:
            self.document.wrong((*path, "deadband"), str(error))
            return None
        if width < 0:
            self.document.wrong((*path, "deadband"), f"{entry.deadband} is negative: expected 0 or more")
            return None
        return entry.deadband

    def _condition(
        self, entry: AlarmEntry, key: str, text: str | None, name: str, deadband: str | None = None
    ) -> Condition | None:
        if text is None:
            return None
        unknowable = self.channels.broken - self.channels.units.keys()
        try:
            if unknowable & set(names_in(text, self.channels.units | dict.fromkeys(unknowable, "1"))):
                return None
            return compile_condition(text, deadband, self.channels.units, self.constants)
        except FormulaError as error:
            path: KeyPath = ("alarms", name, key)
            whose = "" if path in self.document.spots else f"the signature alarm {name} cannot be built here: "
            self.document.wrong(path, whose + error.problem, offset=None if whose else error.offset)
            return None


def compile_alarms(
    entries: Mapping[str, AlarmEntry], channels: BoundChannels, constants: Constants, document: Document
) -> tuple[Alarm, ...]:
    """Every alarm that is in service. Mistakes are noted in the document."""
    compiler = AlarmCompiler(channels, constants, document)
    alarms = [compiler.compile(name, entry) for name, entry in entries.items()]
    return tuple(alarm for alarm in alarms if alarm is not None)
