"""What one difference between fitted and calibrated parts does, before a wheel turns.

`Prediction` is one difference with its consequence in the words of the signature (family and cause), so that it can be
set beside what a drive measures. `Judge` says how serious a predicted need is for one engine and its profile's limits.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import isfinite
from typing import Any, Literal

from livewatch.profile.model import Profile

__all__ = [
    "DEAD_TIME_ERROR",
    "DRIVE_GENTLY",
    "SUPPLY_ENDS",
    "Judge",
    "Prediction",
    "Recalibrate",
    "Severity",
    "per_cent",
]

Recalibrate = Literal["yes", "no", "unknown"]
Severity = Literal["none", "slight", "moderate", "serious"]

DEAD_TIME_ERROR = "dead time error"
SUPPLY_ENDS = "fuel flow at which supply ends"
"""Names of sizes that a drive measures, too."""
DRIVE_GENTLY = "drive it gently at part load first and let `livewatch diagnose` measure it"
ORDINARY = 0.05
"""Total fuel trim within 5 % is ordinary; common practice, no source."""
LEAN_AT_FULL_LOAD = 0.06
"""Lean of the command by this much under load is what livewatch's own alarm calls critical."""
RICH_AT_FULL_LOAD = 0.15
"""Rich of an already rich command by this much: misfire and fuel in the oil; common practice, no source."""


@dataclass(frozen=True, slots=True)
class Prediction:
    """One difference.

    Attributes:
        slot: of the build sheet.
        family, cause: as the signature names them.
        found: the difference in words, with units.
        recalibrate: whether it needs another calibration; `unknown` until it is measured.
        severity: how serious on this kind of engine.
        why: what the difference does, in a sentence or two.
        need: by condition (idle, cruise, full load) the need this difference alone predicts; empty where unknown.
        size: the effect in engineering units, as (value, unit) by what it is: `reading error`: (-11.1, "%").
        missing: numbers that the sheet lacks: which, and why they matter.
        refuse: why no full-load run should be made before it is recalibrated or measured; None when it may.
        notes: what else a person should know.
        is_unknown_need: whether it changes need by an unknown amount.
    """

    slot: str
    family: str
    cause: str
    found: str
    recalibrate: Recalibrate
    severity: Severity
    why: str
    need: Mapping[str, float] = field(default_factory=dict)
    size: Mapping[str, tuple[float, str]] = field(default_factory=dict)
    missing: tuple[str, ...] = ()
    refuse: str | None = None
    notes: tuple[str, ...] = ()
    is_unknown_need: bool = False

    def to_json(self) -> dict[str, Any]:
        """As documented for `livewatch check --json`."""
        return {
            "slot": self.slot,
            "family": self.family,
            "cause": self.cause,
            "found": self.found,
            "needs_another_calibration": self.recalibrate,
            "severity": self.severity,
            "why": self.why,
            "need": {condition: round(need, 4) for condition, need in self.need.items()},
            "need_known": not self.is_unknown_need,
            "size": [
                {"quantity": name, "value": round(value, 4) if isfinite(value) else None, "unit": unit}
                for name, (value, unit) in self.size.items()
            ],
            "missing": list(self.missing),
            "full_load_refused_because": self.refuse,
            "notes": list(self.notes),
        }


@dataclass(frozen=True, slots=True)
class Judge:
    """Limits of the corrections of one car, as plain need, each (low, high): the `everyday` band, what the `long` term
    trim alone can carry, and the `limit` of both together."""

    everyday: tuple[float, float]
    long: tuple[float, float]
    limit: tuple[float, float]

    @classmethod
    def of(cls, profile: Profile) -> Judge:
        """From the authority the profile gives the fuel trims: their product, and the total where that is less."""
        short, long, total = (
            profile.authority[name] for name in ("short_term_fuel_trim", "long_term_fuel_trim", "total_fuel_trim")
        )
        low = max((1.0 + short.low / 100.0) * (1.0 + long.low / 100.0), 1.0 + total.low / 100.0)
        high = min((1.0 + short.high / 100.0) * (1.0 + long.high / 100.0), 1.0 + total.high / 100.0)
        everyday = (1.0 + long.everyday[0] / 100.0, 1.0 + long.everyday[1] / 100.0)
        return cls(everyday, (1.0 + long.low / 100.0, 1.0 + long.high / 100.0), (low, high))

    def verdict(self, need: Mapping[str, float]) -> tuple[Recalibrate, Severity]:
        """Whether a known need calls for another calibration, and how serious it is."""
        if all(abs(value - 1.0) <= ORDINARY for value in need.values()):
            slight = any(abs(value - 1.0) > 0.005 for value in need.values())
            return "no", "slight" if slight else "none"
        if all(self.everyday[0] <= value <= self.everyday[1] for value in need.values()):
            return "yes", "moderate"
        return "yes", "serious"

    def refusal(self, need: Mapping[str, float]) -> str | None:
        """Why a known need forbids full load, or None."""
        full = need.get("full load")
        if full is not None and full - 1.0 >= LEAN_AT_FULL_LOAD:
            return (
                f"at full load it runs {(full - 1.0) * 100.0:.1f} % lean of the command wherever what the trims "
                "learned is not carried over (most computers run open loop there): hot exhaust and knock"
            )
        if full is not None and 1.0 - full >= RICH_AT_FULL_LOAD:
            return (
                f"at full load it runs {(1.0 - full) * 100.0:.1f} % rich of a command that is rich already: "
                "misfire, fuel that washes the oil off the bores, and a catalyst that burns it"
            )
        beyond = [condition for condition, value in need.items() if not self.limit[0] <= value <= self.limit[1]]
        if beyond:
            return (
                f"the correction it needs at {' and '.join(beyond)} is more than the trims are allowed "
                f"({per_cent(self.limit[0])} .. {per_cent(self.limit[1])}): they pin, and what they learn there "
                "falsifies the rest"
            )
        return None


def per_cent(need: float) -> str:
    """A need as a correction: "+12.5 %"."""
    return f"{(need - 1.0) * 100.0:+.1f} %"
