"""The verdict: fits, strained, misfit or unproven, system by system and for the whole car, as typed facts.

What was judged, driven and used up comes in, with the critical alarms that stood; a `Verdict` goes out. `misfit` needs
evidence ten times more probable with the cause than without, an effect beyond everyday adaptation, and enough
driven to know. `fits` needs every system of this car to have been seen: a whole is never better than the worst system
that matters. A system of which nothing was seen is `not seen`, also where a cause that was found elsewhere would spoil
it: every word of a cause goes through `_spoiled`. A critical alarm that no established cause explains makes its system
`strained` at best: by construction, since every word goes through `_at_best`.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, replace
from math import isnan
from typing import Any, Literal

from livewatch.signature.cause import Cause
from livewatch.signature.causes.hypothesis import System
from livewatch.signature.code_evidence import CodeEvidence
from livewatch.signature.evidence.authority import FUEL_TRIMS, TOTAL, AuthorityUse
from livewatch.signature.evidence.coverage import MORE_PULLS, Coverage, Group
from livewatch.signature.evidence.mix_ups import MixUp

__all__ = ["SystemVerdict", "Verdict", "Witness", "Word", "decide"]

Word = Literal["fits", "strained", "misfit", "unproven"]
SystemWord = Literal["fits", "strained", "misfit", "unproven", "not seen"]

STRAINED = 6.0
"""Per cent of need, away from 1 in a whole group of loads, that strains; common practice."""
PUMPED = 0.08
"""Share of need that fuels sold at one pump or another differ by from those calibrated for: E0 to E25 against E10
(Heywood 1988, table D.4). What the sensor of ethanol says of that strains no car."""
PINNED = 3.0
"""s at a limit that strain; common practice."""
LEANED = 3.0
"""Per cent of need at settled full load from which the mixture there is not right: half of what alarms; a judgement."""
LIKELY = 0.5
"""Probability from which a cause that is not established stands out; a judgement."""
KNOCKING, KNOCK_TIME = 0.20, 60.0
"""Share of the drive beyond the everyday band, of so many s at least, from which knock strains: of 150 simulated
matching cars three were beyond it for 0.06, 0.06 and 0.19 of a drive of pulls, on days above 32 degC."""
PULLS_ENOUGH = 2
"""Pulls with boost asked for that show boost control; one alone may be chance."""
PART_LOADS = ("idle", "light load", "middle load")
_UNTRUSTED = ("lambda", "trim", "manifold_pressure", "boost_pressure", "mass_air_flow", "engine_speed", "temperature")
"""Parts of the names of channels without which no verdict is given, when they make no sense in their unit."""
_ALARMED: tuple[tuple[str, System], ...] = (
    ("lean_under_load", "fuel under load"),
    ("knock_retard", "fuel under load"),
    ("rail_", "fuel supply"),
    ("overboost", "boost"),
    ("underboost", "boost"),
)
"""Beginnings of the names of alarms, and the system they are of; any other is one of fuel under load."""
_WORST: tuple[SystemWord, ...] = ("misfit", "strained", "unproven", "not seen", "fits")


@dataclass(frozen=True, slots=True)
class SystemVerdict:
    """One system.

    Attributes:
        system, word: what and how it is.
        causes: names of the established causes that spoil it, or would where it was not seen.
        alarms: critical alarms of it that no established cause explains.
        at_opening: critical alarms of it that were raised only as the throttle opened, with the mixture right
            at settled full load: one of the causes does that, which spoils no more of it.
        strain: what strains it, in words; empty for nothing.
        right: what was seen of it and found right, in words.
        lacking: what to drive, or which channel to get, to see the rest of it; empty where it was seen.
    """

    system: System
    word: SystemWord
    causes: tuple[str, ...] = ()
    alarms: tuple[str, ...] = ()
    strain: str = ""
    right: tuple[str, ...] = ()
    lacking: tuple[str, ...] = ()
    at_opening: tuple[str, ...] = ()

    def to_json(self) -> dict[str, Any]:
        """Plain data."""
        return {
            "system": self.system,
            "word": self.word,
            "causes": list(self.causes),
            "unexplained_alarms": list(self.alarms),
            "alarms_at_opening": list(self.at_opening),
            "strain": self.strain,
            "right": list(self.right),
            "lacking": list(self.lacking),
        }


@dataclass(frozen=True, slots=True)
class Verdict:
    """The word for the whole car, that of every system, and the causes that are established, most dangerous first.
    `doubted` is a channel that cannot be true, because of which nothing is judged; `left_out` are those that could be
    left out; `likely` the causes that are more likely than not and not established, likeliest first; `codes` the car's
    own fault codes beside it, which decide nothing."""

    word: Word
    systems: tuple[SystemVerdict, ...]
    established: tuple[Cause, ...] = ()
    doubted: MixUp | None = None
    likely: tuple[Cause, ...] = ()
    left_out: tuple[MixUp, ...] = ()
    codes: tuple[CodeEvidence, ...] = ()

    @property
    def lacking(self) -> tuple[str, ...]:
        """What to drive or to get so that more can be said, over all systems."""
        return tuple(dict.fromkeys(one for system in self.systems for one in system.lacking))


@dataclass(frozen=True, slots=True)
class Witness:
    """What a verdict is made from.

    Attributes:
        causes: as judged, the established ones marked.
        mix_ups: channels that cannot be true; `left_out` the names of those without which was judged.
        alarms: names of the critical alarms that were raised on good channels.
        boosted: whether the engine has boost control; `pulls` with boost asked for, and what is `missing` to see it.
        pressure_seen, lean_seen: whether fuel pressure, or lambda in open loop, was seen at high fuel flow.
        lambda_known: whether the mixture under load can be known; `mixture_shown` whether at least that it is lean.
        spared: whether something is wrong, so that nobody is sent to load the engine.
        enough: whether there was enough settled driving to judge corrections by.
        blend: need that the fuel in the tank takes, by its sensor, as a ratio: everyday where pumps have it.
        at_opening: those of the alarms that were raised only as the throttle opened.
        fuel_known: whether a channel tells which fuel is in the tank.
        alone: pulls with boost whose command is not known.
    """

    causes: Sequence[Cause]
    coverage: Coverage
    authority: Sequence[AuthorityUse]
    mix_ups: Sequence[MixUp]
    left_out: Collection[str]
    alarms: Sequence[str]
    boosted: bool
    boost_known: bool
    pulls: int
    pressure_known: bool
    pressure_seen: bool
    lambda_known: bool
    spared: bool
    enough: bool
    blend: float = 1.0
    at_opening: Collection[str] = ()
    mixture_shown: bool = True
    fuel_known: bool = True
    alone: int = 0


def decide(seen: Witness) -> Verdict:
    """The verdict of a drive."""
    established = tuple(sorted((c for c in seen.causes if c.established), key=lambda c: (c.danger, -c.probability)))
    likely = _likely(seen, established)
    systems = tuple(_at_best(seen, one, established, likely) for one in _systems(seen, established))
    wrong = [one for one in seen.mix_ups if any(part in one.channel for part in _UNTRUSTED)]
    doubted = [one for one in wrong if one.channel not in seen.left_out]
    if doubted:
        systems = tuple(replace(one, word="unproven" if one.word == "fits" else one.word) for one in systems)
        # What alarmed stays said: only what would be found right is not.
        word: Word = "strained" if any(one.alarms for one in systems) else "unproven"
        return Verdict(word, systems, (), doubted[0], likely)
    words = {one.word for one in systems}
    worst = next(word for word in _WORST if word in words)
    # What only a channel that is not believed could have shown was not seen.
    whole: Word = "unproven" if worst == "not seen" or (worst == "fits" and wrong) else worst
    left_out = tuple(one for one in seen.mix_ups if one.channel in seen.left_out)
    return Verdict(whole, systems, established, None, likely, left_out)


def _likely(seen: Witness, established: Sequence[Cause]) -> tuple[Cause, ...]:
    """Causes more likely than not that are neither established nor said to be the same as one that is."""
    said = {name for cause in established for name in (cause.name, *cause.tie_with)}
    return tuple(
        cause
        for cause in seen.causes
        if cause.name not in {"everyday", *said} and cause.probability > LIKELY and not _may_be_fuel(cause, seen)
    )


def _may_be_fuel(cause: Cause, seen: Witness) -> bool:
    """Whether what a sensor would read wrong may as well be the fuel: a stop for it moves need at every load, as a
    sensor that drifts does."""
    need = cause.largest_need
    return cause.family == "none" and not seen.fuel_known and need is not None and abs(need.value) <= 100.0 * PUMPED


def _at_best(seen: Witness, one: SystemVerdict, established: Sequence[Cause], likely: Sequence[Cause]) -> SystemVerdict:
    """A system with a critical alarm that is not explained is strained at best, one that a cause spoils more likely
    than not is unproven."""
    if one.word == "fits" and any(one.system in cause.systems for cause in likely):
        one = replace(one, word="unproven")
    alarms = tuple(
        alarm
        for alarm in seen.alarms
        if _system_of(alarm) == one.system and not any(cause.does_explain(alarm) for cause in established)
    )
    if not alarms:
        return one
    carrying = [cause for cause in established if cause.is_carried]
    if carrying and set(alarms) <= set(seen.at_opening) and _is_right(seen.coverage.groups[-1]):
        causes = dict.fromkeys((*one.causes, *(cause.name for cause in carrying)))
        one = replace(one, causes=tuple(causes), at_opening=alarms)
        alarms = ()
    return replace(one, alarms=alarms, word=one.word if one.word == "misfit" else "strained")


def _is_right(group: Group) -> bool:
    """Whether a load was driven enough and not lean there."""
    needs = [100.0 * (need - 1.0) for need in group.need if not isnan(need)]
    return group.enough and bool(needs) and max(needs) < LEANED


def _system_of(alarm: str) -> System:
    return next((system for start, system in _ALARMED if alarm.startswith(start)), "fuel under load")


def _systems(seen: Witness, established: Sequence[Cause]) -> Iterator[SystemVerdict]:
    groups = {group.name: group for group in seen.coverage.groups}
    yield _part_load(seen, [groups[name] for name in PART_LOADS], established)
    yield _under_load(seen, groups["high load"], established)
    if seen.boosted or any(_system_of(alarm) == "boost" for alarm in seen.alarms):
        yield _boost(seen, established)
    yield _supply(seen, list(groups.values()), established)


def _spoiled(
    seen: Witness, system: System, looked: bool, established: Sequence[Cause], strain: str
) -> tuple[SystemWord | None, tuple[str, ...]]:
    """The word that causes and strain leave, None for nothing wrong; and the causes. `looked`: whether anything of the
    system was seen, its alarms aside."""
    causes = [cause for cause in established if system in cause.systems]
    names = tuple(cause.name for cause in causes)
    if not looked and not strain and not any(_system_of(alarm) == system for alarm in seen.alarms):
        return None, names
    if any(cause.large for cause in causes):
        return "misfit", names
    return ("strained" if causes or strain else None), names


def _part_load(seen: Witness, groups: Sequence[Group], established: Sequence[Cause]) -> SystemVerdict:
    known = [group for group in groups if group.enough and not all(map(isnan, group.need))]
    lacking = () if seen.spared else tuple(group.how for group in groups if group not in known)
    # A correction at its limit is seen as it is; one in a whole group of loads wants some driving.
    strain = _pinned(seen.authority) or (_corrected(seen, groups) if seen.enough else "")
    looked = any(group.seconds > 0.0 for group in groups)
    word, causes = _spoiled(seen, "fuel at part load", looked, established, strain)
    if word is None:
        word = "not seen" if not known else "unproven" if len(known) < len(groups) else "fits"
    right = tuple(group.name for group in known if not _corrected(seen, [group]))
    return SystemVerdict("fuel at part load", word, causes, (), strain, right, lacking)


def _under_load(seen: Witness, group: Group, established: Sequence[Cause]) -> SystemVerdict:
    strain = (_knocking(seen.authority) or _corrected(seen, [group])) if seen.enough else ""
    word, causes = _spoiled(seen, "fuel under load", group.seconds > 0.0 or seen.pulls > 0, established, strain)
    # Corrections at high load tell of closed loop alone; what full load does, a sensor shows or nobody.
    known = seen.mixture_shown and group.enough and not all(map(isnan, group.need))
    lacking: tuple[str, ...] = ()
    if not known:
        lacking = (
            "Get lambda (a wideband sensor): without it nobody sees the mixture under load."
            if not seen.lambda_known
            else "Get the commanded lambda: without it nobody knows which mixture is wanted under load."
            if group.enough
            else group.how,
        )
    if word is None:
        partly = group.seconds > 0.0 and seen.lambda_known and not all(map(isnan, group.need))
        word = "fits" if known else "unproven" if partly else "not seen"
    right = ("high load",) if known and not _corrected(seen, [group]) else ()
    return SystemVerdict("fuel under load", word, causes, (), strain, right, () if seen.spared else lacking)


def _boost(seen: Witness, established: Sequence[Cause]) -> SystemVerdict:
    # Without a command no pull counts as seen, but what goes against control shows.
    shown = seen.alone > 0 and any(cause.family == "boost" for cause in established)
    word, causes = _spoiled(seen, "boost", seen.pulls > 0 or shown, established, "")
    lacking: tuple[str, ...] = ()
    if not seen.boost_known:
        lacking = ("Get the commanded boost pressure, or say in the profile what is wanted (`wanted_boost:`).",)
    elif seen.pulls < PULLS_ENOUGH and not seen.spared:
        lacking = (MORE_PULLS,)
    if word is None:
        word = "fits" if seen.pulls >= PULLS_ENOUGH else "unproven" if seen.pulls else "not seen"
    right = ("boost",) if word == "fits" else ()
    return SystemVerdict("boost", word, causes, (), "", right, lacking)


def _supply(seen: Witness, groups: Sequence[Group], established: Sequence[Cause]) -> SystemVerdict:
    group = groups[-1]
    held = seen.pressure_seen or (seen.mixture_shown and group.enough and not all(map(isnan, group.need)))
    # No supply ends at the flow of idle, but at any other it may.
    looked = held or any(one.seconds > 0.0 for one in groups[1:])
    word, causes = _spoiled(seen, "fuel supply", looked, established, "")
    lacking: tuple[str, ...] = ()
    if not held:
        lacking = (
            "Get fuel rail pressure with its command, or lambda: nothing else shows whether the fuel supply holds."
            if not (seen.pressure_known or seen.lambda_known)
            else "Get fuel rail pressure, or the commanded lambda: nothing else shows whether the fuel supply holds."
            if group.enough
            else group.how,
        )
    if word is None:
        word = "fits" if held else "not seen"
    return SystemVerdict(
        "fuel supply", word, causes, (), "", ("fuel supply",) if held and word == "fits" else (),
        () if seen.spared else lacking,
    )  # fmt: skip


def _pinned(authority: Sequence[AuthorityUse]) -> str:
    for use in authority:
        if use.pinned >= PINNED and use.correction in FUEL_TRIMS:
            return f"the {use.label} stood at its limit for {use.pinned:.0f} s"
    return ""


def _knocking(authority: Sequence[AuthorityUse]) -> str:
    for use in authority:
        if use.name == "knock_retard" and use.beyond > KNOCKING and use.seconds > KNOCK_TIME:
            return f"the {use.label} was beyond its everyday band for {100.0 * use.beyond:.0f} % of the drive"
    return ""


def _corrected(seen: Witness, groups: Sequence[Group]) -> str:
    everyday = next((use.everyday for use in seen.authority if use.correction == TOTAL), (-10.0, 10.0))
    low, high = min(-STRAINED, everyday[0]), max(STRAINED, everyday[1])
    for group in groups:
        for need in group.need:
            away = 100.0 * (need - 1.0)
            left = 100.0 * (need / seen.blend - 1.0) if abs(seen.blend - 1.0) < PUMPED else away
            if group.enough and not isnan(need) and not low <= left <= high:
                return f"fuel is corrected by {away:+.0f} % at {group.name}, beyond everyday adaptation"
    return ""
