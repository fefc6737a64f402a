"""Python's garbage collector, kept from stopping a live run.

Looking through everything a program keeps takes it a tenth of a second, in which no thread runs: too long while an
engine is at full load. What was made before the run begins stays to its end; there is nothing to look for in it.
"""

from __future__ import annotations

import gc

__all__ = ["spare_what_is_there"]


def spare_what_is_there() -> None:
    """Have the collector pass over all that was made so far, from now on."""
    gc.freeze()
