"""The signature: does the calibration fit the parts?

    signature = Signature(profile)
    signature.observe(ticks)
    signature.finding().verdict

The way of the data: `evidence/` (readings, ten looks a second; settled: need, air; evidence by operating region;
gathering: one vector of observations, with what is everyday; beside it authority, pulls and boost, coverage, mix-ups,
baseline) -> `causes/` (what each does to the evidence) -> `ranking` -> `cause` (in words) -> `verdict`, `finding`.

A name is loaded when it is first asked for: who needs one of them need not wait for all.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
