"""What the signature says, for the screen: a `Finding` comes in, the parts that widgets draw come out."""

from __future__ import annotations

from dataclasses import dataclass, field

from livewatch.dashboard.content.need_map import NeedMap, need_map_of
from livewatch.dashboard.content.snapshot import LikelyCause, PullRow, VerdictSoFar
from livewatch.profile.model import Profile
from livewatch.signature.evidence.authority import AuthorityUse
from livewatch.signature.evidence.pulls import Pull
from livewatch.signature.evidence.settled import USUAL_DISPLACEMENT
from livewatch.signature.finding import Finding

__all__ = ["SignatureView", "view_of"]

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
        LikelyCause(
            _wordings(cause.brief, cause.short),
            _wordings(*(text for one in cause.estimates[:1] for text in (str(one), one.short))),
            cause.probability,
        )
        for cause in finding.causes
    )
    coverage = finding.coverage
    verdict = VerdictSoFar(
        finding.verdict.word,
        _wordings(finding.sentence, *finding.shorter),
        causes,
        coverage.share,
        finding.next_drive,
        finding.missing,
        tuple((one.system, one.word) for one in finding.verdict.systems),
        tuple(str(one) for one in finding.verdict.codes),
        tuple(one.short for one in finding.verdict.codes),
    )
    pulls = tuple(_pull(pull) for pull in finding.pulls)
    displacement = USUAL_DISPLACEMENT if profile.engine is None else profile.engine.displacement
    return SignatureView(finding.authority, verdict, pulls, need_map_of(coverage, displacement))


def _wordings(*texts: str) -> tuple[str, ...]:
    return tuple(dict.fromkeys(texts))


def _pull(pull: Pull) -> PullRow:
    known = {name: (value, unit) for name, value, unit, _ in pull.peaks}
    peaks = tuple((label, *known[name], name) for name, label in _PEAKS.items() if name in known)
    return PullRow(pull.number, pull.start, pull.stop, peaks, "fuel was cut" if pull.fuel_cut else "")
