"""Which channels belong together, and the limits that alarms and authority set them."""

from __future__ import annotations

from livewatch.profile.model import Profile

__all__ = ["commanded_for", "limits_of", "watched_by"]

_COMMANDED = {
    "lambda_1": "commanded_lambda",
    "lambda_2": "commanded_lambda",
    "boost_pressure": "commanded_boost_pressure",
    "throttle_position": "commanded_throttle_position",
    "fuel_rail_pressure": "commanded_fuel_rail_pressure",
}


def commanded_for(name: str, profile: Profile) -> str | None:
    """The channel that holds what the engine computer wants of this one; None when the profile has none."""
    commanded = _COMMANDED.get(name, f"commanded_{name}")
    return commanded if commanded in profile.index else None


def watched_by(name: str, profile: Profile, channel: str) -> bool:
    """Whether the channel `name` is the one an alarm on `channel` is about: the same, or one it is computed from."""
    if name == channel:
        return True
    row = profile.index.get(channel)
    formula = None if row is None else profile.channels[row].formula
    return formula is not None and name in formula.inputs


def limits_of(name: str, profile: Profile) -> tuple[float, ...]:
    """Fixed limits of a channel, in its unit: the set points of alarms that compare it with a number, and the ends of
    its authority."""
    found: list[float] = []
    row = profile.index.get(name)
    if row is None:
        return ()
    unit = profile.channels[row].unit
    for alarm in profile.alarms:
        setpoint = alarm.setpoint
        ordered = setpoint.comparison[:1] in ("<", ">")
        if ordered and setpoint.alone and setpoint.measured == name and setpoint.limit is not None:
            found.append(setpoint.limit)
    authority = profile.authority.get(name)
    if authority is not None and authority.unit == unit:
        found += [limit for limit in (authority.low, authority.high) if limit != 0.0]
    return tuple(sorted(set(found)))
