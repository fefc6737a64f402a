"""Engine and authority: the constants of a profile that formulas may name.

`engine.displacement`, `authority.short_term_fuel_trim.high` and their like are dotted names with a value and a unit.
Where a profile says nothing about the authority of a usual correction, the usual limits stand in.
"""

from __future__ import annotations

from collections.abc import Mapping

from livewatch.profile.document import Document
from livewatch.profile.fuels import stoichiometric_ratio
from livewatch.profile.model import AuthorityLimit, Engine, WantedBoost
from livewatch.profile.schema import AuthorityEntry, EngineEntry, WantedBoostEntry
from livewatch.profile.units import UnitError, parse_quantity, parse_range, split_quantity

__all__ = ["TRAVELS", "USUAL_AUTHORITY", "constants_of", "resolve_authority", "resolve_engine"]


USUAL_AUTHORITY: Mapping[str, AuthorityLimit] = {
    limit.name: limit
    for limit in (
        AuthorityLimit("short_term_fuel_trim", "%", -25.0, 25.0, (-10.0, 10.0)),
        AuthorityLimit("long_term_fuel_trim", "%", -25.0, 25.0, (-10.0, 10.0)),
        AuthorityLimit("total_fuel_trim", "%", -25.0, 25.0, (-10.0, 10.0)),
        AuthorityLimit("knock_retard", "deg", 0.0, 8.0, (0.0, 3.0)),
        AuthorityLimit("wastegate_duty", "%", 0.0, 100.0, (5.0, 95.0)),
        AuthorityLimit("idle_air_correction", "%", -25.0, 25.0, (-10.0, 10.0)),
    )
}
"""Limits and everyday bands where the profile gives none: common practice, no source."""

TRAVELS: Mapping[str, str] = {
    "accelerator_pedal_position": "pedal_travel",
    "throttle_position": "throttle_travel",
}
"""Channels whose rest and end a profile may say, and how `engine:` names it."""


def resolve_engine(entry: EngineEntry | None) -> Engine | None:
    """The engine as the physics needs it."""
    if entry is None:
        return None
    return Engine(
        displacement=entry.displacement,
        cylinders=entry.cylinders,
        induction=entry.induction,
        air_metering=entry.air_metering,
        fuel=entry.fuel,
        stoichiometric=stoichiometric_ratio(entry.fuel) if entry.stoichiometric is None else entry.stoichiometric,
        banks=entry.banks,
        volumetric_efficiency=entry.volumetric_efficiency,
        wanted_boost=_wanted_boost(entry.wanted_boost),
        travel={channel: given for channel, name in TRAVELS.items() if (given := getattr(entry, name)) is not None},
    )


def _wanted_boost(entry: WantedBoostEntry | None) -> WantedBoost | None:
    if entry is None:
        return None
    curve = entry.curve or {"1000 rpm": entry.pressure or 0.0}
    speeds = tuple(parse_quantity(speed, "rpm") for speed in curve)
    return WantedBoost(speeds, tuple(curve.values()), entry.gauge, entry.tolerance)


def resolve_authority(entries: Mapping[str, AuthorityEntry], document: Document) -> dict[str, AuthorityLimit]:
    """Every limit: the usual ones, and what the profile says over them. The everyday band of a usual correction is cut
    to its limits; that of any other is all of them, unless the profile says otherwise."""
    limits = dict(USUAL_AUTHORITY)
    for name, entry in entries.items():
        usual = USUAL_AUTHORITY.get(name)
        try:
            unit = usual.unit if usual else split_quantity(entry.limits.split("..")[-1])[1] or "1"
            low, high = parse_range(entry.limits, unit)
        except UnitError as error:
            document.wrong(("authority", name, "limits"), str(error))
            continue
        everyday = (max(low, usual.everyday[0]), min(high, usual.everyday[1])) if usual else (low, high)
        if entry.everyday is not None:
            try:
                everyday = parse_range(entry.everyday, unit)
            except UnitError as error:
                document.wrong(("authority", name, "everyday"), str(error))
                continue
            if not low <= everyday[0] <= everyday[1] <= high:
                document.wrong(("authority", name, "everyday"), f"{entry.everyday} reaches beyond {entry.limits}")
        if everyday[0] > everyday[1]:
            everyday = (low, high)
        limits[name] = AuthorityLimit(name, unit, low, high, everyday)
    return limits


def constants_of(engine: Engine | None, authority: Mapping[str, AuthorityLimit]) -> dict[str, tuple[float, str]]:
    """Every dotted name that a formula may use, with value and unit."""
    constants: dict[str, tuple[float, str]] = {}
    for name, limit in authority.items():
        for key, value in (
            ("low", limit.low),
            ("high", limit.high),
            ("everyday_low", limit.everyday[0]),
            ("everyday_high", limit.everyday[1]),
        ):
            constants[f"authority.{name}.{key}"] = (value, limit.unit)
    if engine:
        constants["engine.displacement"] = (engine.displacement, "L")
        constants["engine.cylinders"] = (float(engine.cylinders), "1")
        constants["engine.banks"] = (float(engine.banks), "1")
        constants["engine.unthrottled"] = (engine.unthrottled, "1")
        constants["engine.stoichiometric"] = (engine.stoichiometric, "1")
        for channel, name in TRAVELS.items():
            if channel in engine.travel:
                constants[f"engine.{name}.low"], constants[f"engine.{name}.high"] = (
                    (end, "%") for end in engine.travel[channel]
                )
        if engine.volumetric_efficiency:
            low, high = engine.volumetric_efficiency
            constants["engine.volumetric_efficiency.low"] = (low, "1")
            constants["engine.volumetric_efficiency.high"] = (high, "1")
    return constants
