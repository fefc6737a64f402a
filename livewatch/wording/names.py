"""How channels and alarms are called on the screen: the profile's own names in plain words, and which belong together.

`lambda_1` on an engine with one bank is "lambda"; `short_term_fuel_trim_2` is "short term fuel trim, bank 2".
"""

from __future__ import annotations

import re

from livewatch.profile.model import Profile

__all__ = ["alarm_label", "channel_label", "commanded_for", "limits_of", "short_label", "watched_by"]

_COMMANDED = {
    "lambda_1": "commanded_lambda",
    "lambda_2": "commanded_lambda",
    "boost_pressure": "commanded_boost_pressure",
    "throttle_position": "commanded_throttle_position",
    "fuel_rail_pressure": "commanded_fuel_rail_pressure",
}
_SHORT = {
    "short term fuel trim": "short trim",
    "long term fuel trim": "long trim",
    "manifold pressure": "manifold",
    "boost pressure": "boost",
    "commanded boost pressure": "wanted boost",
    "commanded throttle position": "wanted throttle",
    "commanded fuel rail pressure": "wanted fuel rail",
    "mass air flow": "air flow",
    "engine speed": "engine speed",
    "accelerator pedal position": "pedal",
    "throttle position": "throttle",
    "wastegate duty": "wastegate",
    "exhaust gas temperature": "exhaust",
    "coolant temperature": "coolant",
    "charge air temperature": "charge air",
    "intake air temperature": "intake air",
    "fuel rail pressure": "fuel rail",
    "fuel rail gauge pressure": "fuel rail",
    "ignition advance": "ignition",
    "vehicle speed": "road speed",
}
_SETPOINT = re.compile(r"\s*(\w+)\s*(<=|>=|<|>)\s*([+-]?\d+(?:\.\d+)?(?:[eE][+-]?\d+)?)\s*(\S*)\s*\Z")


def channel_label(name: str, profile: Profile | None = None) -> str:
    """A channel's name in words; the bank is named where there is more than one."""
    base, bank = _bank(name)
    if bank and (profile is None or _has_other_bank(name, profile)):
        return f"{base}, bank {bank}"
    return base


def short_label(name: str, profile: Profile | None = None) -> str:
    """The same where there is little room."""
    base, bank = _bank(name)
    short = _SHORT.get(base, base)
    if bank and (profile is None or _has_other_bank(name, profile)):
        return f"{short} b{bank}"
    return short


def alarm_label(name: str) -> str:
    """An alarm's name in words."""
    return name.replace("_", " ")


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
        match = _SETPOINT.match(alarm.setpoint)
        if match and match[1] == name and match[4] in ("", unit):
            found.append(float(match[3]))
    authority = profile.authority.get(name)
    if authority is not None and authority.unit == unit:
        found += [limit for limit in (authority.low, authority.high) if limit != 0.0]
    return tuple(sorted(set(found)))


def _bank(name: str) -> tuple[str, str]:
    if name.endswith(("_1", "_2")):
        return name[:-2].replace("_", " "), name[-1]
    return name.replace("_", " "), ""


def _has_other_bank(name: str, profile: Profile) -> bool:
    return name[:-1] + ("2" if name.endswith("1") else "1") in profile.index
