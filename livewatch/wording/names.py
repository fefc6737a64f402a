"""How channels and alarms are called on the screen: the profile's own names in plain words, and which belong together.

`lambda_1` on an engine with one bank is "lambda"; `short_term_fuel_trim_2` is "short term fuel trim, bank 2".
"""

from __future__ import annotations

from livewatch.data.channels import in_words
from livewatch.profile.model import Profile

__all__ = ["channel_label", "short_label"]

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


def _bank(name: str) -> tuple[str, str]:
    if name.endswith(("_1", "_2")):
        return in_words(name[:-2]), name[-1]
    return in_words(name), ""


def _has_other_bank(name: str, profile: Profile) -> bool:
    return name[:-1] + ("2" if name.endswith("1") else "1") in profile.index
