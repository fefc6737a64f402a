"""Channels: each bound to its signal with its unit, or compiled from its formula.

Channel entries, the catalogue of messages and the diagnostic port come in; `Channel`s go out, in an order in which
every formula stands behind what it uses. Mistakes are noted in the document, as many as there are.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from heapq import heappop, heappush
from itertools import pairwise

from livewatch.data.channels import CATALOGUE
from livewatch.errors import nearest
from livewatch.profile.diagnostic_port.port import DiagnosticPort
from livewatch.profile.document import Document, KeyPath
from livewatch.profile.formula.compile import FormulaError, compile_formula, names_in
from livewatch.profile.message_catalogue import MessageCatalogue
from livewatch.profile.model import Channel, Signal
from livewatch.profile.schema import ChannelEntry, ParameterEntry
from livewatch.profile.units import UnitError, convert, parse_range, read_unit

__all__ = ["BoundChannels", "bind_channels", "polled_entries"]

SECOND = 1_000_000_000
PERIODS_TO_STALE = 3
TABLE_STALE_AFTER = 3 * SECOND
"""Tables are often written once a second; their rows come late without anything being wrong."""

Constants = Mapping[str, tuple[float, str]]


@dataclass
class BoundChannels:
    """What was resolved.

    Attributes:
        channels: by name, in the order of the profile's rows.
        units: the unit of every name that may be used in a formula, wrong channels included where it is known.
        broken: names of channels that are wrong; formulas that use them are not looked at.
    """

    channels: dict[str, Channel] = field(default_factory=dict)
    units: dict[str, str] = field(default_factory=dict)
    broken: set[str] = field(default_factory=set)


def bind_channels(
    entries: Mapping[str, ChannelEntry],
    catalogue: MessageCatalogue,
    port: DiagnosticPort,
    constants: Constants,
    document: Document,
) -> BoundChannels:
    """All channels of the profile, formulas last."""
    result = BoundChannels()
    result.broken |= {str(path[1]) for path in document.broken if _unusable(path)}
    for name, entry in entries.items():
        if unit := CATALOGUE[name].unit if name in CATALOGUE else entry.unit:
            result.units[name] = unit
        if name in result.broken:
            continue
        if problem := _more_than_one(entry):
            document.wrong(("channels", name), problem, key=True)
            result.broken.add(name)
        elif entry.formula is None:
            _bind(name, entry, catalogue, port, document, result)
    formulas = {name: entry for name, entry in entries.items() if entry.formula is not None}
    formulas = {name: entry for name, entry in formulas.items() if name not in result.broken}
    names = {*entries, *result.broken}
    for name, uses in _in_order(formulas, document, result).items():
        # What uses a channel of unknown unit cannot be checked, and the mistake of that one is noted already.
        if set(uses) & (result.broken - result.units.keys()):
            result.broken.add(name)
        else:
            _compute(name, formulas[name], constants, names, document, result)
    return result


def polled_entries(entries: Mapping[str, ChannelEntry], port: DiagnosticPort) -> dict[str, ChannelEntry]:
    """The catalogue's channels that the poll list brings and no entry names."""
    from livewatch.profile.diagnostic_port.j1979 import J1979_CHANNELS

    taken = set()
    for name, entry in entries.items():
        if entry.parameter and isinstance(key := port.find(entry.parameter, name), tuple):
            taken.add(key)
    added: dict[str, ChannelEntry] = {}
    for request in port.poll:
        parameter = port.parameters[(request.service, request.identifier)]
        for signal in parameter.signals if request.service == 0x01 else ():
            channel = J1979_CHANNELS.get((request.identifier, signal.name))
            if channel is None or channel in entries or channel in added:
                continue
            if (0x01, request.identifier, signal.name) not in taken:
                where = ParameterEntry(service=0x01, pid=request.identifier, signal=signal.name)
                added[channel] = ChannelEntry(parameter=where, declared=False)
    return added


def _unusable(path: KeyPath) -> bool:
    """Whether what is wrong there leaves nothing of a channel to look at."""
    if path[0] != "channels" or len(path) == 1:
        return False
    return len(path) == 2 or path[2] in ("signal", "parameter", "formula", "unit")


def _more_than_one(entry: ChannelEntry) -> str | None:
    kinds = [kind for kind in ("signal", "parameter", "formula") if getattr(entry, kind) is not None]
    if len(kinds) > 1:
        return f"has {' and '.join(kinds)}: a channel has one of them"
    if entry.invalid is not None and kinds not in (["signal"], ["parameter"]):
        return "has invalid raw codes, but neither signal nor parameter to have them"
    return None


def _bind(
    name: str,
    entry: ChannelEntry,
    catalogue: MessageCatalogue,
    port: DiagnosticPort,
    document: Document,
    result: BoundChannels,
) -> None:
    """One channel that is not computed."""
    path: KeyPath = ("channels", name)
    known = CATALOGUE.get(name)
    signal: Signal | None = None
    channel = Channel(name, "1", entry.meaning or (known.meaning if known else ""), declared=entry.declared)
    stale_after = TABLE_STALE_AFTER
    if entry.signal is not None:
        found = catalogue.find(entry.signal)
        if isinstance(found, str):
            result.broken.add(name)
            if catalogue.complete and entry.signal.split(".")[-1] not in catalogue.lost:
                document.wrong((*path, "signal"), found)
            return
        signal = catalogue.signal(found)
        channel = replace(channel, signal=found)
        stale_after = max(SECOND, PERIODS_TO_STALE * catalogue.cycles.get(found[:3], 0))
    elif entry.parameter is not None:
        key = port.find(entry.parameter, name)
        if isinstance(key, str):
            result.broken.add(name)
            document.wrong((*path, "parameter"), key)
            return
        signal = port.signal(key)
        channel = replace(channel, parameter=key)
        stale_after = max(SECOND, PERIODS_TO_STALE * (port.every(*key[:2]) or 0))
    try:
        unit, changed = _unit_of(name, entry, signal)
        scale, offset = (1.0, 0.0) if changed is None else _converted(name, changed, unit)
    except UnitError as error:
        result.broken.add(name)
        document.wrong((*path, "unit") if entry.unit else path, str(error), key=not entry.unit)
        return
    result.units[name] = unit
    if changed is not None:
        if entry.invalid is not None:
            changed = replace(changed, invalid=tuple(sorted({*changed.invalid, *entry.invalid})))
        if channel.signal:
            catalogue.change(channel.signal, changed)
        elif channel.parameter:
            port.change(channel.parameter, changed)
    result.channels[name] = replace(
        channel,
        unit=unit,
        scale=scale,
        offset=offset,
        valid=_valid(entry, unit, document, path),
        stale_after=stale_after if entry.stale_after is None else entry.stale_after,
        value_table=changed.value_table if changed else {},
    )


def _unit_of(name: str, entry: ChannelEntry, signal: Signal | None) -> tuple[str, Signal | None]:
    """The unit of a channel, and its signal with the unit that the profile says it has.

    A channel of the catalogue has the catalogue's unit, and `unit` is that of its signal; for any other channel, `unit`
    is its own, and that of its signal only where nothing else says it.
    """
    known = CATALOGUE.get(name)
    given = entry.unit
    if known is None and given is None and (signal is None or signal.unit is None):
        if near := nearest(name, CATALOGUE):
            raise UnitError(
                f"no channel {name!r} is known to livewatch{near}: write that name, or unit: for a channel of your own"
            )
        raise UnitError(
            "unit is missing here: say in what the values are, such as unit: kPa, or unit: 1 for plain numbers"
        )
    unit = known.unit if known else given or str(signal and signal.unit)
    if signal is None:
        if known and given and read_unit(given) != read_unit(unit):
            raise UnitError(f"{name} is always in {unit}: leave unit out (a column's own unit goes under tables)")
        return unit, None
    if signal.unit is None:
        return unit, replace(signal, unit=given or ("1" if unit == "1" else None))
    if known and given and read_unit(given) not in (read_unit(unit), read_unit(signal.unit)):
        says = f"{name} is always in {unit}, and its signal {signal.name} in {signal.unit}, not {given}"
        raise UnitError(f"{says}: leave unit out, or correct the signal's under decode")
    return unit, signal


def _converted(name: str, signal: Signal, unit: str) -> tuple[float, float]:
    if signal.unit is None:
        raise UnitError(f"signal {signal.name} says no unit: add unit: with what it is in ({name} wants {unit})")
    try:
        read_unit(signal.unit)
    except UnitError as error:
        raise UnitError(f"signal {signal.name}: {error}") from None
    try:
        return convert(signal.unit, unit)
    except UnitError as error:
        raise UnitError(f"signal {signal.name}: {error}, which {name} is in") from None


def _valid(entry: ChannelEntry, unit: str, document: Document, path: KeyPath) -> tuple[float, float]:
    if entry.valid is not None:
        try:
            return parse_range(entry.valid, unit)
        except UnitError as error:
            document.wrong((*path, "valid"), str(error))
    return float("-inf"), float("inf")


def _compute(
    name: str, entry: ChannelEntry, constants: Constants, names: set[str], document: Document, result: BoundChannels
) -> None:
    """One channel with a formula, after those that it uses. `names` are all channels there are."""
    path: KeyPath = ("channels", name)
    assert entry.formula is not None
    known = CATALOGUE.get(name)
    wanted = known.unit if known else entry.unit
    try:
        if known and entry.unit and read_unit(entry.unit) != read_unit(known.unit):
            document.wrong((*path, "unit"), f"{name} is always in {known.unit}: leave unit out")
        formula = compile_formula(entry.formula, result.units, wanted, constants)
    except FormulaError as error:
        result.broken.add(name)
        near = nearest(error.unknown, names - {name}) if error.unknown else ""
        problem = f"unknown channel {error.unknown!r}{near}" if near else error.problem
        document.wrong((*path, "formula"), problem, offset=error.offset)
        return
    result.units[name] = formula.unit
    result.channels[name] = Channel(
        name,
        formula.unit,
        entry.meaning or (known.meaning if known else ""),
        formula=formula,
        valid=_valid(entry, formula.unit, document, path),
        stale_after=SECOND if entry.stale_after is None else entry.stale_after,
        declared=entry.declared,
    )


def _in_order(
    formulas: Mapping[str, ChannelEntry], document: Document, result: BoundChannels
) -> dict[str, tuple[str, ...]]:
    """The names of `formulas`, each behind those it uses, with all it uses; circles are noted and left out."""
    names = {**result.units, **dict.fromkeys(formulas, "1"), **dict.fromkeys(result.broken, "1")}
    uses: dict[str, tuple[str, ...]] = {}
    for name, entry in formulas.items():
        try:
            uses[name] = names_in(str(entry.formula), names)
        except FormulaError as error:
            document.wrong(("channels", name, "formula"), error.problem, offset=error.offset)
            result.broken.add(name)
    users: dict[str, list[str]] = {}
    open_uses = {name: {used for used in uses[name] if used in uses} for name in uses}
    for name, used_here in open_uses.items():
        for used in used_here:
            users.setdefault(used, []).append(name)
    # By the place they were written at, so that what is in order already stays as it is.
    place = {name: number for number, name in enumerate(uses)}
    ready = [place[name] for name in uses if not open_uses[name]]
    names_by_place = list(uses)
    order: list[str] = []
    waiting = dict.fromkeys(uses)
    while waiting:
        if ready:
            done = [names_by_place[heappop(ready)]]
            order += done
        else:
            done = _circle(waiting, uses)
            rounded = ", ".join(f"{user} uses {used}" for user, used in pairwise([*done, done[0]]))
            document.wrong(("channels", done[0], "formula"), f"the formulas go round in a circle: {rounded}")
            result.broken |= set(done)
        for name in done:
            waiting.pop(name, None)
        for name in done:
            for user in users.get(name, ()):
                open_uses[user].discard(name)
                if user in waiting and not open_uses[user]:
                    heappush(ready, place[user])
    return {name: uses[name] for name in order}


def _circle(waiting: Mapping[str, None], uses: Mapping[str, tuple[str, ...]]) -> list[str]:
    """A circle among formulas of which each uses another one, starting with the one that was written first."""
    walk: dict[str, None] = {}
    name = next(iter(waiting))
    while name not in walk:
        walk[name] = None
        name = next(used for used in uses[name] if used in waiting)
    circle = list(walk)[list(walk).index(name) :]
    first = circle.index(next(each for each in waiting if each in circle))
    return circle[first:] + circle[:first]
