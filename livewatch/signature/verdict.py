"""The verdict: fits, strained, misfit or unproven, from what was ranked, covered and used up.

`misfit` needs evidence a hundred times more probable with the cause than without, an effect beyond everyday adaptation,
and enough driven to know; `fits` needs every load to have been seen. In between the car is `strained` where corrections
are beyond their everyday band or at their limits, else the verdict is `unproven`, and the sentence says what is
missing.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import isnan
from typing import Literal

from livewatch.signature.cause import Cause
from livewatch.signature.evidence.authority import AuthorityUse
from livewatch.signature.evidence.coverage import Coverage
from livewatch.signature.evidence.mix_ups import MixUp
from livewatch.signature.ranking import Ranking

__all__ = ["Verdict", "Word", "decide"]

Word = Literal["fits", "strained", "misfit", "unproven"]

EVIDENCE = 20.0
"""Decibans (100 to 1)."""
SURE = 0.90
"""Probability of anything being wrong that a misfit needs."""
NEED, NEED_SURELY = 8.0, 5.0
"""Per cent of need that a misfit takes at least, and the lower end of its interval."""
BOOST, BOOST_SURELY = 8.0, 4.0
"""The same in per cent of commanded boost."""
STRAINED = 6.0
"""Per cent of need, away from 1 in a whole group of loads, that strains."""
PINNED = 3.0
"""s at a limit that strain."""
LEAST_VISITS, LEAST_GROUPS = 8, 2
_UNTRUSTED = ("lambda", "trim", "manifold_pressure", "boost_pressure", "mass_air_flow", "engine_speed", "temperature")
"""Parts of the names of channels without which no verdict is given, when they make no sense in their unit."""


@dataclass(frozen=True, slots=True)
class Verdict:
    """The word, and one sentence that says why; `shorter` says the same without figures, then with short names too."""

    word: Word
    sentence: str
    shorter: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Style:
    """How the causes are named in the sentence."""

    first: Callable[[Cause], str]
    other: Callable[[Cause], str]
    misfit: str = "The calibration does not fit the parts: "
    tie: str = "; the data cannot tell this from: "


_STYLES = (
    _Style(lambda cause: f"{cause.title} ({cause.size})" if cause.size else cause.title, lambda cause: cause.title),
    _Style(lambda cause: cause.title, lambda cause: cause.title),
    _Style(lambda cause: cause.short, lambda cause: cause.short, "Does not fit: ", "; or "),
)


def decide(
    ranking: Ranking,
    causes: Sequence[Cause],
    coverage: Coverage,
    authority: Sequence[AuthorityUse],
    mix_ups: Sequence[MixUp],
    pulls: int,
) -> Verdict:
    """The verdict of a drive."""
    doubtful = [one for one in mix_ups if any(part in one.channel for part in _UNTRUSTED)]
    if doubtful:
        return Verdict(
            "unproven", f"{doubtful[0].channel} does not make sense in its unit; put the profile right first."
        )
    visits = sum(group.visits for group in coverage.groups)
    first = causes[0] if causes else None
    wrong = 1.0 - ranking.families.get("none", 0.0)
    proven = first is not None and first.family != "none" and wrong > SURE and first.weight >= EVIDENCE
    seen = first is not None and (first.family == "boost" or (visits >= LEAST_VISITS and _in_need(coverage)))
    if first is not None and proven and seen and _large(first):
        return _worded("misfit", lambda style: f"{style.misfit}{_said(first, causes, style)}.")
    if visits < LEAST_VISITS and pulls < 2:
        return Verdict("unproven", "Too little settled driving to judge by.")
    strain = _strain(coverage, authority)
    if strain:
        return _worded("strained", lambda style: f"{strain}; {_leading(first, style)}.")
    if first is None:
        return Verdict("unproven", "Nothing that was driven can be judged with what was seen of it.")
    if first is not None and first.family != "none" and first.weight >= EVIDENCE / 2.0 and wrong > SURE:
        little = "Something does not fit, but takes little yet"
        return _worded("strained", lambda style: f"{little}: {_said(first, causes, style)}.")
    missing = [group.name for group in coverage.groups if not group.enough]
    if "high load" in missing or len(coverage.groups) - len(missing) < LEAST_GROUPS + 1:
        return Verdict("unproven", f"Nothing wrong in what was driven, but not enough was: {', '.join(missing)}.")
    if wrong > 0.5:
        return _worded("unproven", lambda style: f"Within everyday adaptation, but {_leading(first, style)}.")
    return Verdict("fits", "Everyday adaptation explains everything that was seen.")


def _in_need(coverage: Coverage) -> bool:
    """Whether need itself is away from 1 at any load: without that, nothing is wrong with the fuel."""
    needs = [need for group in coverage.groups for need in group.need if not isnan(need)]
    needs += [need for region in coverage.regions for need in region.need if not isnan(need)]
    return any(100.0 * abs(need - 1.0) >= NEED_SURELY for need in needs)


def _large(cause: Cause) -> bool:
    if cause.family == "boost":
        shares = [one for one in cause.estimates if one.unit == "%"]
        return (
            bool(shares)
            and abs(shares[0].value) >= BOOST
            and min(abs(shares[0].low), abs(shares[0].high)) >= BOOST_SURELY
        )
    effect = cause.largest_need
    if effect is None:
        return False
    nearest = 0.0 if effect.low < 0.0 < effect.high else min(abs(effect.low), abs(effect.high))
    return abs(effect.value) >= NEED and nearest >= NEED_SURELY


def _worded(word: Word, say: Callable[[_Style], str]) -> Verdict:
    sentence, *shorter = dict.fromkeys(say(style) for style in _STYLES)
    return Verdict(word, sentence, tuple(shorter))


def _said(first: Cause, causes: Sequence[Cause], style: _Style) -> str:
    others = " or ".join(style.other(cause) for cause in causes if cause.name in first.tie_with)
    return style.first(first) + (f"{style.tie}{others}" if first.tie_with else "")


def _leading(first: Cause | None, style: _Style) -> str:
    if first is None or first.family == "none":
        return "no part stands out as the reason"
    return f"most likely {style.other(first)}"


def _strain(coverage: Coverage, authority: Sequence[AuthorityUse]) -> str:
    """What strains, in words, or nothing."""
    for use in authority:
        if use.pinned >= PINNED and "trim" in use.name:
            return f"The {use.label} stood at its limit for {use.pinned:.0f} s"
    for use in authority:
        if use.name == "knock_retard" and use.beyond > 0.05 and use.seconds > 60.0:
            return f"The {use.label} was beyond its everyday band for {100.0 * use.beyond:.0f} % of the drive"
    everyday = next((use.everyday for use in authority if use.name.startswith("total")), (-10.0, 10.0))
    low, high = min(-STRAINED, everyday[0]), max(STRAINED, everyday[1])
    for group in coverage.groups:
        for need in group.need:
            away = 100.0 * (need - 1.0)
            if group.enough and not isnan(need) and not low <= away <= high:
                return f"Fuel is corrected by {away:+.0f} % at {group.name}, beyond everyday adaptation"
    return ""
