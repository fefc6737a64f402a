"""What the signature says, for the screen: a `Finding` comes in, the parts that widgets draw come out."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from livewatch.dashboard.content.snapshot import LikelyCause, NeedMap, PullRow, VerdictSoFar
from livewatch.profile.model import Profile
from livewatch.signature.evidence.authority import AuthorityUse
from livewatch.signature.evidence.coverage import Coverage
from livewatch.signature.evidence.evidence import FLOW_EDGES, SPEED_EDGES
from livewatch.signature.evidence.pulls import Pull
from livewatch.signature.evidence.settled import USUAL_DISPLACEMENT
from livewatch.signature.finding import Finding

__all__ = ["SignatureView", "view_of"]

ENOUGH = 2.0
"""Settled seconds in a region from which its need is drawn as sure."""
_PEAKS = {
    "boost_pressure": "boost",
    "lambda_ratio": "lambda over wanted",
    "knock_retard": "knock",
    "mass_air_flow": "air flow",
    "manifold_pressure": "manifold",
    "rail_share": "rail over wanted",
    "injector_duty": "injectors",
    "exhaust_gas_temperature": "exhaust",
    "charge_air_temperature": "charge air",
    "power": "power",
}
"""The peak figures of a pull, those a person looks at first, first."""


@dataclass(frozen=True, slots=True)
class SignatureView:
    """A finding as the screen shows it."""

    authority: tuple[AuthorityUse, ...] = ()
    verdict: VerdictSoFar = field(default_factory=VerdictSoFar)
    pulls: tuple[PullRow, ...] = ()
    need: NeedMap | None = None


def view_of(finding: Finding, profile: Profile) -> SignatureView:
    """The parts of a finding that are drawn."""
    causes = tuple(
        LikelyCause(cause.title.partition(":")[0], cause.size, cause.probability) for cause in finding.causes
    )
    coverage = finding.coverage
    verdict = VerdictSoFar(
        finding.verdict.word,
        finding.verdict.sentence,
        causes,
        coverage.share,
        coverage.next_drive,
        finding.missing,
    )
    pulls = tuple(_pull(pull) for pull in finding.pulls)
    displacement = USUAL_DISPLACEMENT if profile.engine is None else profile.engine.displacement
    return SignatureView(finding.authority, verdict, pulls, _need(coverage, displacement))


def _pull(pull: Pull) -> PullRow:
    known = {name: (value, unit) for name, value, unit, _ in pull.peaks}
    peaks = tuple((label, *known[name], name) for name, label in _PEAKS.items() if name in known)
    return PullRow(pull.number, pull.start, pull.stop, peaks, "fuel was cut" if pull.fuel_cut else "")


def _need(coverage: Coverage, displacement: float) -> NeedMap | None:
    """Mean need of the banks by region; None before anything was seen."""
    if not coverage.regions:
        return None
    speeds, flows = np.array(SPEED_EDGES), np.array(FLOW_EDGES) * displacement
    need = np.full((len(flows) - 1, len(speeds) - 1), math.nan)
    enough = np.zeros(need.shape, np.bool_)
    for region in coverage.regions:
        column = int(np.argmin(np.abs(speeds - region.speed[0])))
        row = int(np.argmin(np.abs(flows - region.flow[0])))
        known = [one - 1.0 for one in region.need if math.isfinite(one)]
        if known and row < need.shape[0] and column < need.shape[1]:
            need[row, column] = sum(known) / len(known)
            enough[row, column] = region.seconds >= ENOUGH
    seen = np.isfinite(need)
    rows, columns = np.flatnonzero(seen.any(axis=1)), np.flatnonzero(seen.any(axis=0))
    if not len(rows):
        return None
    top, right = int(rows[-1]) + 1, int(columns[-1]) + 1
    bottom, left = int(rows[0]), int(columns[0])
    part = np.s_[bottom:top, left:right]
    return NeedMap(speeds[left : right + 1], flows[bottom : top + 1], need[part], enough[part])
