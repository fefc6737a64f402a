"""What has been driven enough to judge by, and what to drive next.

The map of operating regions comes in; the groups the trade thinks in (idle, light, middle and high load) with their
settled seconds go out, and the one next thing that would tell most, the safest first: standing, then cruising, then
hills, then full load, which belongs on a closed course or a dyno.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Any

from livewatch.signature.evidence.evidence import FLOW_EDGES, Region

__all__ = [
    "GROUPS",
    "IDLE_SPEED",
    "MEASURE_FIRST",
    "MORE_PULLS",
    "NOTHING_MORE",
    "ONE_PULL",
    "Coverage",
    "Group",
    "cover",
]

ENOUGH = 6.0
"""Settled s that make a group enough; at full load half of it."""
UNBOOSTED_HIGH = 28.0
"""g/s of air for each litre of displacement from which the load of an engine without boost is high: the throttle open
at 3000 rpm (Heywood 1988, eq. 2.27)."""
CRUISE = 25.5
"""g/s of air from which the load of any car's engine is middle load, however large: at 14 to 1, 42 MJ/kg and a fourth
of it on the wheels some 19 kW, what a car takes at 120 km/h; common practice. A large engine comes to no more in
ordinary driving."""
ONE_PULL = (
    "Make one full-pedal pull in third gear from 2000 rpm, on a closed course or a dyno; lift at the first alarm."
)
MORE_PULLS = "Make two more full-pedal pulls in third gear, on a closed course or a dyno, cooling down in between."
MEASURE_FIRST = "Drive nothing more at full load until the cause is settled: measure it standing first."
NOTHING_MORE = "Nothing more: every load has been driven enough."
IDLE_SPEED = 1500.0
"""rpm below which an engine with so little air idles; common practice."""
KNOWN = 3.0
"""Settled s of a group from which its need is taken from them alone."""
GROUPS: tuple[tuple[str, float, float, str], ...] = (
    ("idle", 0.0, 3.0, "Let the warm engine idle for a minute, standing, everything electrical off."),
    ("light load", 3.0, 12.5, "Hold a steady 2000 to 2500 rpm in third gear on a level road for 20 s, twice."),
    ("middle load", 12.5, 40.0, "Hold 3000 rpm in third or fourth gear up a hill for 20 s, the pedal still."),
    ("high load", 40.0, 999.0, ONE_PULL),
)
"""Name, bounds in g/s of air for each litre of displacement (of engines up to two litres), and how to get there, the
safest first."""


@dataclass(frozen=True, slots=True)
class Group:
    """A group of regions: settled seconds and visits (those that count a little included), mean need of each bank
    weighted by time (NaN unknown), whether that is enough, and how to get there."""

    name: str
    flow: tuple[float, float]
    seconds: float
    visits: int
    need: tuple[float, float]
    enough: bool
    how: str


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


def _bounds(boosted: bool, displacement: float) -> list[tuple[str, float, float, str]]:
    """The groups of an engine: without boost high load begins earlier, and middle load does in a large one."""
    middle = max(edge for edge in FLOW_EDGES if edge <= 12.5 and (edge * displacement <= CRUISE or edge <= 5.0))
    edges = {12.5: middle, 40.0: 40.0 if boosted else UNBOOSTED_HIGH}
    return [(name, edges.get(low, low), edges.get(high, high), how) for name, low, high, how in GROUPS]


def cover(
    regions: Sequence[Region],
    displacement: float,
    spared: Collection[str] = (),
    boost_open: bool = False,
    lesser: Sequence[Region] = (),
    boosted: bool = True,
) -> Coverage:
    """Coverage of the `regions`; `lesser` are those that count a little, where there is nothing better. `spared`: names
    of loads that are not to be asked for, as something is wrong already;
    `boost_open`: boost control has not been seen in enough pulls."""
    groups = []
    for name, low, high, how in _bounds(boosted, displacement):

        def within(some: Sequence[Region], name: str = name, low: float = low, high: float = high) -> list[Region]:
            found = [r for r in some if low * displacement <= r.flow[0] < high * displacement - 1e-9]
            return [r for r in found if r.speed[0] < IDLE_SPEED] if name == "idle" else found

        inside, more = within(regions), within(lesser)
        seconds, visits = sum(r.seconds for r in inside + more), sum(r.visits for r in inside + more)
        if sum(r.seconds for r in inside) < KNOWN:
            inside = inside + more
        need = tuple(
            sum(r.need[bank] * r.seconds for r in inside if r.need[bank] == r.need[bank]) / max(1e-9, known)
            if (known := sum(r.seconds for r in inside if r.need[bank] == r.need[bank])) > 0.0
            else float("nan")
            for bank in (0, 1)
        )
        enough = seconds >= (ENOUGH / 2.0 if name == "high load" else ENOUGH)
        top = high * displacement if high < 900.0 else max((r.flow[1] for r in inside), default=80.0 * displacement)
        groups.append(Group(name, (low * displacement, top), seconds, visits, (need[0], need[1]), enough, how))
    share = sum(group.enough for group in groups) / len(groups)
    wanted = ""
    for group, (_, _, _, how) in zip(groups, GROUPS, strict=True):
        if not group.enough and group.name not in spared:
            wanted = how
            break
    if not wanted and boost_open and not spared:
        wanted = MORE_PULLS
    if not wanted and spared:
        wanted = MEASURE_FIRST
    return Coverage(tuple(groups), share, tuple(regions), wanted or NOTHING_MORE)
