"""What has been driven enough to judge by, and what to drive next.

The map of operating regions comes in; the groups the trade thinks in (idle, light, middle and high load) with their
settled seconds go out, and the one next thing that would tell most, the safest first: standing, then cruising, then
hills, then full load, which belongs on a closed course or a dyno.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Any

from livewatch.signature.evidence.evidence import Region

__all__ = ["GROUPS", "Coverage", "Group", "cover"]

ENOUGH = 6.0
"""Settled s that make a group enough; at full load half of it."""
GROUPS: tuple[tuple[str, float, float, str], ...] = (
    ("idle", 0.0, 3.0, "Let the warm engine idle for a minute, standing, everything electrical off."),
    ("light load", 3.0, 12.5, "Hold a steady 2000 to 2500 rpm in third gear on a level road for 20 s, twice."),
    ("middle load", 12.5, 40.0, "Hold 3000 rpm in third or fourth gear up a hill for 20 s, the pedal still."),
    (
        "high load",
        40.0,
        999.0,
        "Make one full-pedal pull in third gear from 2000 rpm, on a closed course or a dyno; lift at the first alarm.",
    ),
)
"""Name, bounds in g/s of air for each litre of displacement, and how to get there, the safest first."""


@dataclass(frozen=True, slots=True)
class Group:
    """A group of regions: settled seconds and visits, mean need of each bank weighted by time (NaN unknown)."""

    name: str
    flow: tuple[float, float]
    seconds: float
    visits: int
    need: tuple[float, float]
    enough: bool


@dataclass(frozen=True, slots=True)
class Coverage:
    """Groups in order of load; `share` of them that are enough; `next_drive`, one sentence."""

    groups: tuple[Group, ...]
    share: float
    regions: tuple[Region, ...]
    next_drive: str

    def to_json(self) -> dict[str, Any]:
        """Plain data."""
        return {
            "share": round(self.share, 3),
            "groups": [
                {
                    "load": group.name,
                    "air_flow": [round(edge, 1) for edge in group.flow],
                    "air_flow_unit": "g/s",
                    "settled": round(group.seconds, 1),
                    "settled_unit": "s",
                    "visits": group.visits,
                    "need": [None if need != need else round(need, 4) for need in group.need],
                    "enough": group.enough,
                }
                for group in self.groups
            ],
            "regions": [
                {
                    "speed": list(region.speed),
                    "speed_unit": "rpm",
                    "air_flow": [round(edge, 2) for edge in region.flow],
                    "air_flow_unit": "g/s",
                    "settled": round(region.seconds, 1),
                    "settled_unit": "s",
                    "visits": region.visits,
                    "need": [None if need != need else round(need, 4) for need in region.need],
                }
                for region in self.regions
            ],
        }


def cover(
    regions: Sequence[Region], displacement: float, spared: Collection[str] = (), boost_open: bool = False
) -> Coverage:
    """Coverage of the `regions`. `spared`: names of loads that are not to be asked for, as something is wrong already;
    `boost_open`: boost control has not been seen in enough pulls."""
    groups = []
    for name, low, high, _ in GROUPS:
        inside = [r for r in regions if low * displacement <= r.flow[0] < high * displacement - 1e-9]
        if name == "idle":
            inside = [r for r in inside if r.speed[0] < 1500.0]
        seconds = sum(r.seconds for r in inside)
        need = tuple(
            sum(r.need[bank] * r.seconds for r in inside if r.need[bank] == r.need[bank]) / max(1e-9, known)
            if (known := sum(r.seconds for r in inside if r.need[bank] == r.need[bank])) > 0.0
            else float("nan")
            for bank in (0, 1)
        )
        enough = seconds >= (ENOUGH / 2.0 if name == "high load" else ENOUGH)
        top = high * displacement if high < 900.0 else max((r.flow[1] for r in inside), default=80.0 * displacement)
        groups.append(
            Group(name, (low * displacement, top), seconds, sum(r.visits for r in inside), (need[0], need[1]), enough)
        )
    share = sum(group.enough for group in groups) / len(groups)
    wanted = ""
    for group, (_, _, _, how) in zip(groups, GROUPS, strict=True):
        if not group.enough and group.name not in spared:
            wanted = how
            break
    if not wanted and boost_open and not spared:
        wanted = "Make two more full-pedal pulls in third gear, on a closed course or a dyno, cooling down in between."
    if not wanted and spared:
        wanted = "Drive nothing more at full load until the cause is settled: measure it standing first."
    return Coverage(tuple(groups), share, tuple(regions), wanted or "Nothing more: every load has been driven enough.")
