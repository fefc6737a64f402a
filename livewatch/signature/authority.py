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
from livewatch.signature.evidence import FLOW_EDGES, SPEED_EDGES
from livewatch.signature.readings import HISTORY, LOOK_TIME, Column, Mask, Readings
from livewatch.signature.settled import CLOSED_LOOP

__all__ = ["AuthorityUse", "AuthorityWatch", "RegionUse"]

AT_LIMIT = 0.985
"""Share of the limit from which a correction counts as pinned."""
_LABELS = {
    "short_term_fuel_trim": "short term fuel trim",
    "long_term_fuel_trim": "long term fuel trim",
    "total_fuel_trim": "both fuel trims together",
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
    return None if isnan(value) else round(value, digits)


class _Use:
    """Sums of one controller."""

    def __init__(self, name: str, limit: AuthorityLimit) -> None:
        self.name, self.limit = name, limit
        shape = (len(SPEED_EDGES) - 1) * (len(FLOW_EDGES) - 1)
        self.looks = np.zeros(shape)
        self.total = np.zeros(shape)
        self.peak = np.zeros(shape)
        self.value = nan
        self.least = self.most = nan
        self.pinned = self.beyond = 0

    def share(self, value: Column) -> Column:
        limit = self.limit
        if limit.low >= 0.0 and self.name == "wastegate_duty":
            middle = (limit.low + limit.high) / 2.0
            shares: Column = np.abs(value - middle) / (limit.high - middle)
            return shares
        low = limit.low if limit.low < 0.0 else -np.inf
        return np.where(value >= 0.0, value / limit.high if limit.high > 0.0 else np.inf, value / low)

    def take(self, value: Column, charge: Mask, cell: Column) -> None:
        known = charge & ~np.isnan(value)
        self.value = float(value[-1]) if known[-1] else nan
        where = np.flatnonzero(known)
        if not len(where):
            return
        held = value[where]
        share = self.share(held)
        self.least = float(np.fmin(self.least, held.min()))
        self.most = float(np.fmax(self.most, held.max()))
        self.pinned += int((share >= AT_LIMIT).sum())
        low, high = self.limit.everyday
        self.beyond += int(((held < low) | (held > high)).sum())
        place = cell[where].astype(np.int64)
        np.add.at(self.looks, place, 1.0)
        np.add.at(self.total, place, share)
        np.maximum.at(self.peak, place, share)


class AuthorityWatch:
    """Watches every controller that the profile has a limit and a channel for."""

    def __init__(self, profile: Profile, displacement: float) -> None:
        there = {channel.name for channel in profile.channels}
        self._flow_edges = np.array(FLOW_EDGES) * displacement
        self._speed_edges = np.array(SPEED_EDGES)
        self._has_status = "fuel_system_status" in there
        self._uses: list[_Use] = []
        self._learned = {bank for bank in "12" if f"long_term_fuel_trim_{bank}" in there}
        self._banks = [bank for bank in (1, 2) if f"short_term_fuel_trim_{bank}" in there]
        for bank in self._banks:
            for kind in ("short_term_fuel_trim", "long_term_fuel_trim", "total_fuel_trim"):
                if kind in profile.authority and (kind == "total_fuel_trim" or f"{kind}_{bank}" in there):
                    self._uses.append(_Use(f"{kind}_{bank}", profile.authority[kind]))
        for name in ("wastegate_duty", "knock_retard", "idle_air_correction"):
            if name in profile.authority and name in there:
                self._uses.append(_Use(name, profile.authority[name]))

    def take(self, readings: Readings, air: Column) -> None:
        """Add the looks after the history; `air` in g/s has one entry for each of them."""
        now = {name: column[HISTORY:] for name, column in readings.value.items()}
        speed, pedal = now["engine_speed"], now["accelerator_pedal_position"]
        with np.errstate(invalid="ignore"):
            running = speed > 400.0
            closed = running & ((now["fuel_system_status"] == CLOSED_LOOP) | (not self._has_status))
            asked = running & (now["commanded_boost_pressure"] - now["barometric_pressure"] > 10.0)
            idle = running & (speed < 1300.0) & ~(pedal > 1.5)
        s = np.clip(np.searchsorted(self._speed_edges, speed, side="right") - 1, 0, len(SPEED_EDGES) - 2)
        f = np.clip(np.searchsorted(self._flow_edges, air, side="right") - 1, 0, len(FLOW_EDGES) - 2)
        cell = (s * (len(FLOW_EDGES) - 1) + f).astype(np.float64)
        for use in self._uses:
            if use.name.startswith("total"):
                bank = use.name[-1]
                long = now[f"long_term_fuel_trim_{bank}"]
                long = long if bank in self._learned else np.zeros_like(long)
                total = (1.0 + now[f"short_term_fuel_trim_{bank}"] / 100.0) * (1.0 + long / 100.0)
                use.take((total - 1.0) * 100.0, closed, cell)
            else:
                charge = {"wastegate_duty": asked, "knock_retard": running, "idle_air_correction": idle}
                use.take(now[use.name], charge.get(use.name, closed), cell)

    def uses(self) -> tuple[AuthorityUse, ...]:
        """Everything so far."""
        return tuple(self._use(use) for use in self._uses)

    def _use(self, use: _Use) -> AuthorityUse:
        limit, looks = use.limit, float(use.looks.sum())
        base = use.name[:-2] if use.name[-2:] in ("_1", "_2") else use.name
        bank = f", bank {use.name[-1]}" if use.name != base and len(self._banks) > 1 else ""
        width = len(FLOW_EDGES) - 1
        regions = []
        for place in np.flatnonzero(use.looks).tolist():
            s, f = divmod(place, width)
            count = float(use.looks[place])
            regions.append(
                RegionUse(
                    (SPEED_EDGES[s], SPEED_EDGES[s + 1]),
                    (float(self._flow_edges[f]), float(self._flow_edges[f + 1])),
                    float(use.total[place]) / count,
                    float(use.peak[place]),
                    count * LOOK_TIME / 1e9,
                )
            )
        used = float(use.share(np.array([use.value]))[0]) if not isnan(use.value) else nan
        return AuthorityUse(
            use.name,
            _LABELS[base] + bank,
            limit.unit,
            limit.low,
            limit.high,
            limit.everyday,
            use.value,
            used,
            use.least,
            use.most,
            float(use.total.sum()) / looks if looks else nan,
            float(use.peak.max()) if looks else nan,
            use.pinned * LOOK_TIME / 1e9,
            looks * LOOK_TIME / 1e9,
            use.beyond / looks if looks else nan,
            tuple(regions),
        )
