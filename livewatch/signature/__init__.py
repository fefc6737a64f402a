"""The signature: does the calibration fit the parts?

    signature = Signature(profile)
    signature.observe(ticks)
    signature.finding().verdict

The way of the data: `evidence/` (readings, ten looks a second; settled: need, air; evidence by operating region;
gathering: one vector of observations, with what is everyday; beside it authority, pulls and boost, coverage, mix-ups,
baseline) -> `causes/` (what each does to the evidence) -> `ranking` -> `cause` (in words) -> `verdict`, `finding`.
"""

from livewatch.signature.evidence.baseline import Baseline
from livewatch.signature.finding import Finding
from livewatch.signature.signature import Signature

__all__ = ["Baseline", "Finding", "Signature"]
