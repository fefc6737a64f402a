"""The signature: does the calibration fit the parts?

    signature = Signature(profile)
    signature.take(ticks)
    signature.assessment().to_text()

The way of the data: `readings` (ten looks a second) -> `settled` (need, air) -> `evidence` (by operating region) ->
`observations` (with what is everyday) -> `effects` and `hypotheses` (which cause) -> `causes`, `reasons` (in words) ->
`verdict`, `assessment`. Beside it: `authority`, `pulls` and `boost`, `coverage`, `mix_ups`, `baseline`; and the build
sheet: `build_sheet`, `build_sheet_forecast`,
`build_sheet_compare`.
"""

from livewatch.signature.assessment import Assessment
from livewatch.signature.baseline import Baseline
from livewatch.signature.signature import Signature

__all__ = ["Assessment", "Baseline", "Signature"]
