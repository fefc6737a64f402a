"""How much of each controller's authority is used: now, over the drive, by operating region, and how long at its limit.

Readings come in; `AuthorityUse`s go out. Used authority is the correction over the limit on its side. A controller
counts only while it is in charge: fuel trims with the loop closed, the boost solenoid while boost is asked for, idle
air at idle. Sums grow look by look in data time.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import isnan, nan
from typing import Any

import numpy as np

from livewatch.profile.model import AuthorityLimit, Profile
from livewatch.signature.evidence.evidence import FLOW_EDGES, SPEED_EDGES
from livewatch.signature.evidence.readings import HISTORY, LOOK_TIME, PEDAL_TRAVEL, Column, Readings
from livewatch.signature.evidence.settled import CLOSED_LOOP

__all__ = ["FUEL_TRIMS", "TOTAL", "AuthorityUse", "AuthorityWatch", "RegionUse"]

AT_LIMIT = 0.985
"""Share of the limit from which a correction counts as pinned."""
_TELLING = (
    "engine_speed", PEDAL_TRAVEL, "fuel_system_status", "commanded_boost_pressure",
    "barometric_pressure",
)  # fmt: skip
"""Channels that tell which controllers are in charge."""
TOTAL = "total_fuel_trim"
FUEL_TRIMS = ("short_term_fuel_trim", "long_term_fuel_trim", TOTAL)
"""Corrections that each bank has one of; the total is both others together."""
_LABELS = {
    "short_term_fuel_trim": "short term fuel trim",
    "long_term_fuel_trim": "long term fuel trim",
    TOTAL: "both fuel trims together",
    "knock_retard": "ignition taken back for knock",
    "wastegate_duty": "boost solenoid duty",
    "idle_air_correction": "idle air correction",
}


@dataclass(frozen=True, slots=True)
class RegionUse:
    """Use in one operating region: edges in rpm and g/s, mean and highest used share, s in charge there."""

    speed: tuple[float, float]
    flow: tuple[float, float]
    mean: float
    most: float
    seconds: float


@dataclass(frozen=True, slots=True)
class AuthorityUse:
    """The use of one controller's authority.

    Attributes:
        name, label: as a channel, and in words.
        unit, low, high, everyday: limits and everyday band.
        value, used: the correction at the last look and its share of the limit; NaN when unknown or not in charge.
        least, most: the lowest and highest correction of the drive; `mean_used`, `most_used` shares; NaN when never
        seen.
        pinned: s held at a limit; `seconds` in charge.
        beyond: share of its time outside the everyday band.
        regions: where it was used.
        correction, bank: as a profile's `authority` names it; the bank where the car has two.
    """

    name: str
    label: str
    unit: str
    low: float
    high: float
    everyday: tuple[float, float]
    value: float
    used: float
    least: float
    most: float
    mean_used: float
    most_used: float
    pinned: float
    seconds: float
    beyond: float
    regions: tuple[RegionUse, ...]
    correction: str
    bank: int | None = None

    def to_json(self) -> dict[str, Any]:
        """Plain data."""
        shares = ("used", "mean_used", "most_used", "beyond")
        plain: dict[str, Any] = {
            "controller": self.name,
            "label": self.label,
            "unit": self.unit,
            "limits": [self.low, self.high],
            "everyday": list(self.everyday),
        }
        plain |= {name: _rounded(getattr(self, name), 3) for name in ("value", "least", "most")}
        plain |= {name: _rounded(getattr(self, name), 3) for name in shares}
        plain |= {"pinned": round(self.pinned, 1), "in_charge": round(self.seconds, 1), "time_unit": "s"}
        plain["by_region"] = [
            {
                "speed": list(region.speed),
                "air_flow": [round(edge, 2) for edge in region.flow],
                "mean_used": round(region.mean, 3),
                "most_used": round(region.most, 3),
                "seconds": round(region.seconds, 1),
            }
            for region in self.regions
        ]
        return plain


def _rounded(value: float, digits: int) -> float | None:
    # Adding nothing turns a -0.0 into 0.0.
    return None if isnan(value) else round(value, digits) + 0.0


@dataclass(frozen=True, slots=True)
class _Controller:
    """A correction, and its bank where each bank has one."""

    correction: str
    bank: int | None = None

    @property
    def name(self) -> str:
        return self.correction if self.bank is None else f"{self.correction}_{self.bank}"


class AuthorityWatch:
    """Watches every controller that the profile has a limit and a channel for: one row of its tables each."""

    def __init__(self, profile: Profile, displacement: float) -> None:
        there = {channel.name for channel in profile.channels}
        self._flow_edges = np.array(FLOW_EDGES) * displacement
        self._speed_edges = np.array(SPEED_EDGES)
        self._has_status = "fuel_system_status" in there
        self._learned = {bank for bank in (1, 2) if f"long_term_fuel_trim_{bank}" in there}
        self._banks = [bank for bank in (1, 2) if f"short_term_fuel_trim_{bank}" in there]
        watched = [_Controller(trim, bank) for bank in self._banks for trim in FUEL_TRIMS]
        watched += map(_Controller, ("wastegate_duty", "knock_retard", "idle_air_correction"))
        self._limits: dict[_Controller, AuthorityLimit] = {
            one: profile.authority[one.correction]
            for one in watched
            if one.correction in profile.authority and (one.correction == TOTAL or one.name in there)
        }
        limits = list(self._limits.items())
        middles = [
            (limit.low + limit.high) / 2.0 if one.correction == "wastegate_duty" and limit.low >= 0.0 else nan
            for one, limit in limits
        ]
        self._middle = np.array(middles)[:, None]
        self._low = np.array([limit.low if limit.low < 0.0 else -np.inf for _, limit in limits])[:, None]
        self._high = np.array([limit.high for _, limit in limits])[:, None]
        self._everyday = np.array([limit.everyday for _, limit in limits]).reshape(-1, 2, 1)
        width = (len(SPEED_EDGES) - 1) * (len(FLOW_EDGES) - 1)
        self._looks, self._total, self._peak = (np.zeros((len(limits), width)) for _ in range(3))
        self._value, self._least, self._most = (np.full(len(limits), nan) for _ in range(3))
        self._pinned, self._beyond = (np.zeros(len(limits), np.int64) for _ in range(2))

    def observe(self, readings: Readings, air: Column) -> None:
        """Add the looks after the history; `air` in g/s has one entry for each of them."""
        if not self._limits:
            return
        speed, pedal, status, commanded, outside = (readings[name][HISTORY:] for name in _TELLING)
        with np.errstate(invalid="ignore"):
            running = speed > 400.0
            closed = running & ((status == CLOSED_LOOP) | (not self._has_status))
            asked = running & (commanded - outside > 10.0)
            idle = running & (speed < 1300.0) & ~(pedal > 0.015)
        charge = {"wastegate_duty": asked, "knock_retard": running, "idle_air_correction": idle}
        s = np.clip(np.searchsorted(self._speed_edges, speed, side="right") - 1, 0, len(SPEED_EDGES) - 2)
        f = np.clip(np.searchsorted(self._flow_edges, air, side="right") - 1, 0, len(FLOW_EDGES) - 2)
        value = np.array([self._corrections(readings, one) for one in self._limits])
        known = np.array([charge.get(one.correction, closed) for one in self._limits]) & ~np.isnan(value)
        self._value = np.where(known[:, -1], value[:, -1], nan)
        held = np.where(known, value, nan)
        share = self._share(held)
        self._least = np.fmin(self._least, np.fmin.reduce(held, axis=1))
        self._most = np.fmax(self._most, np.fmax.reduce(held, axis=1))
        with np.errstate(invalid="ignore"):
            self._pinned += (share >= AT_LIMIT).sum(axis=1)
            self._beyond += ((held < self._everyday[:, 0]) | (held > self._everyday[:, 1])).sum(axis=1)
        place = (s * (len(FLOW_EDGES) - 1) + f + np.arange(len(value))[:, None] * self._looks.shape[1])[known]
        np.add.at(self._looks.reshape(-1), place, 1.0)
        np.add.at(self._total.reshape(-1), place, share[known])
        np.maximum.at(self._peak.reshape(-1), place, share[known])

    def _corrections(self, readings: Readings, controller: _Controller) -> Column:
        if controller.correction != TOTAL:
            return readings[controller.name][HISTORY:]
        bank = controller.bank
        short = readings[f"short_term_fuel_trim_{bank}"][HISTORY:]
        long = readings[f"long_term_fuel_trim_{bank}"][HISTORY:] if bank in self._learned else 0.0
        return ((1.0 + short / 100.0) * (1.0 + long / 100.0) - 1.0) * 100.0

    def _share(self, value: Column) -> Column:
        """Used authority of corrections, float64 (controllers, n)."""
        with np.errstate(invalid="ignore", divide="ignore"):
            above = np.where(self._high > 0.0, value / self._high, np.inf)
            sided = np.where(value >= 0.0, above, value / self._low)
            # A duty is a correction both ways from its middle.
            around = np.abs(value - self._middle) / (self._high - self._middle)
        shares: Column = np.where(np.isnan(self._middle), sided, around)
        return shares

    def uses(self) -> tuple[AuthorityUse, ...]:
        """Everything so far."""
        used = self._share(self._value[:, None])[:, 0]
        return tuple(self._use(row, one, float(used[row])) for row, one in enumerate(self._limits))

    def _use(self, row: int, controller: _Controller, used: float) -> AuthorityUse:
        limit, looks, total, peak = self._limits[controller], self._looks[row], self._total[row], self._peak[row]
        everything = float(looks.sum())
        bank = controller.bank if len(self._banks) > 1 else None
        width = len(FLOW_EDGES) - 1
        edges = self._flow_edges.tolist()
        at = np.flatnonzero(looks)
        means, peaks, seconds = total[at] / looks[at], peak[at], looks[at] * LOOK_TIME / 1e9
        regions = tuple(
            RegionUse(
                (SPEED_EDGES[place // width], SPEED_EDGES[place // width + 1]),
                (edges[place % width], edges[place % width + 1]),
                mean,
                most,
                spent,
            )
            for place, mean, most, spent in zip(
                at.tolist(), means.tolist(), peaks.tolist(), seconds.tolist(), strict=True
            )
        )
        return AuthorityUse(
            controller.name,
            _LABELS[controller.correction] + (f", bank {bank}" if bank else ""),
            limit.unit,
            limit.low,
            limit.high,
            limit.everyday,
            float(self._value[row]),
            used,
            float(self._least[row]),
            float(self._most[row]),
            float(total.sum()) / everything if everything else nan,
            float(peak.max()) if everything else nan,
            int(self._pinned[row]) * LOOK_TIME / 1e9,
            everything * LOOK_TIME / 1e9,
            int(self._beyond[row]) / everything if everything else nan,
            regions,
            controller.correction,
            bank,
        )
