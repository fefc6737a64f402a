"""A drive assessed: what the signature found, and what the build sheet foretold beside it.

said = assess(run.signature, predict(sheet, profile))
said.finding.verdict.word
said.to_json()  # the finding's fields, and `build`: predicted beside measured
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from livewatch.signature import Signature
from livewatch.signature.finding import Finding

if TYPE_CHECKING:
    from livewatch.build_sheet.forecast import Forecast
    from livewatch.diagnosis.comparison import Comparison

__all__ = ["Assessment", "assess", "contradiction_in"]


@dataclass(frozen=True, slots=True)
class Assessment:
    """`build` is empty without a build sheet."""

    finding: Finding
    build: tuple[Comparison, ...] = ()

    @property
    def contradiction(self) -> str:
        """As `contradiction_in` has it."""
        return contradiction_in(self.build)

    def to_json(self) -> dict[str, Any]:
        """The documented object."""
        said = self.finding.to_json()
        last = {key: said.pop(key) for key in ("compared_with", "settled", "settled_unit")}
        return (
            said | {"build": [one.to_json() for one in self.build], "contradiction": self.contradiction or None} | last
        )


def contradiction_in(build: Sequence[Comparison]) -> str:
    """Of which parts the build sheet cannot be right where the drive is, in a sentence; empty for none. It changes no
    verdict: which of them is wrong is for a person to see on the part."""
    parts = dict.fromkeys(one.what for one in build if one.contradicts)
    return f"Build sheet and drive cannot both be right: {'; '.join(parts)}. Look at the parts." if parts else ""


def assess(signature: Signature, forecast: Forecast | None = None) -> Assessment:
    """What the drive that `signature` has seen shows so far, beside the forecast of the car's build sheet."""
    finding = signature.finding()
    if forecast is None:
        return Assessment(finding)
    from livewatch.diagnosis.comparison import Measured, MeasuredCause, compare, driven_at  # late: few have a sheet

    driven = driven_at({group.name: group.enough for group in finding.coverage.groups})
    causes = [MeasuredCause.of(cause) for cause in finding.causes]
    drive = Measured(causes, finding.verdict.word != "unproven", driven)
    return Assessment(finding, tuple(compare(forecast, drive)))
