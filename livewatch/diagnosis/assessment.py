"""A drive assessed: what the signature found, and what the build sheet foretold beside it.

said = assess(run.signature, predict(sheet, profile))
said.finding.verdict.word
said.to_json()  # the finding's fields, and `build`: predicted beside measured
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from livewatch.signature import Signature
from livewatch.signature.finding import Finding

if TYPE_CHECKING:
    from livewatch.build_sheet.forecast import Forecast
    from livewatch.diagnosis.comparison import Comparison

__all__ = ["Assessment", "assess"]


@dataclass(frozen=True, slots=True)
class Assessment:
    """`build` is empty without a build sheet."""

    finding: Finding
    build: tuple[Comparison, ...] = ()

    def to_json(self) -> dict[str, Any]:
        """The documented object."""
        said = self.finding.to_json()
        last = {key: said.pop(key) for key in ("compared_with", "settled", "settled_unit")}
        return said | {"build": [one.to_json() for one in self.build]} | last


def assess(signature: Signature, forecast: Forecast | None = None) -> Assessment:
    """What the drive that `signature` has seen shows so far, beside the forecast of the car's build sheet."""
    finding = signature.finding()
    if forecast is None:
        return Assessment(finding)
    from livewatch.diagnosis.comparison import MeasuredCause, compare  # late: a run without a build sheet needs none

    measured = [MeasuredCause.of(cause) for cause in finding.causes]
    return Assessment(finding, tuple(compare(forecast.predictions, measured, finding.verdict.word != "unproven")))
