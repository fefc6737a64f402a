"""What fault codes of SAE J2012 say of the mixture, and groups of those that several causes set.

A code comes in; which way the mixture was off, and at which loads the code itself says so, come out. Which codes bear
on a cause stands in the cause's own file. Which text the standard gives a code is from memory; what a code bears on is
common practice.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

__all__ = ["AIR_METER", "BOOST_ACTUATOR", "LOADS", "MIXTURE", "OVERBOOST", "UNDERBOOST", "Load", "Mixture", "Side"]

Load = Literal["idle", "light load", "middle load", "high load"]
LOADS: tuple[Load, ...] = ("idle", "light load", "middle load", "high load")
Side = Literal["lean", "rich"]


@dataclass(frozen=True, slots=True)
class Mixture:
    """What a code says of the mixture: which side it was off to, and the loads that the code's own text names."""

    side: Side
    loads: tuple[Load, ...]


def _pairs(lean: tuple[str, ...], rich: tuple[str, ...], loads: tuple[Load, ...]) -> dict[str, Mixture]:
    sides: tuple[tuple[Side, tuple[str, ...]], ...] = (("lean", lean), ("rich", rich))
    return {code: Mixture(side, loads) for side, codes in sides for code in codes}


MIXTURE: Mapping[str, Mixture] = {
    **_pairs(("P0171", "P0174", "P2096", "P2098"), ("P0172", "P0175", "P2097", "P2099"), LOADS),
    **_pairs(("P2187", "P2189"), ("P2188", "P2190"), LOADS[:1]),
    **_pairs(("P2177", "P2179"), ("P2178", "P2180"), LOADS[1:]),
    **_pairs(("P2191", "P2193"), ("P2192", "P2194"), LOADS[2:]),
}
"""System too lean or too rich: anywhere, at idle, off idle, at higher load."""
AIR_METER = frozenset({"P0068", "P0100", "P0101", "P0102", "P0103", "P0104"})
OVERBOOST = frozenset({"P0234"})
UNDERBOOST = frozenset({"P0299", "P2262"})
BOOST_ACTUATOR = frozenset(
    {"P0045", "P0046", "P0047", "P0048", "P0243", "P0244", "P0245", "P0246", "P2263", "P2562", "P2563"}
)
