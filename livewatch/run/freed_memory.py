"""What becomes of memory that was let go: kept, for the next columns.

A run makes columns of some megabytes, lets them go and makes them again. The C library of Linux gives such pieces back
to the machine each time, which clears and hands out every page anew: a tenth of the time of a diagnosis. In time it
learns by itself to keep pieces of up to 32 MB, and 64 MB in all; `keep_freed` says so at once.
"""

from __future__ import annotations

import ctypes
import os
import sys

__all__ = ["keep_freed"]

TRIM_THRESHOLD, MMAP_THRESHOLD = -1, -3
"""What `mallopt` of glibc calls them (malloc.h)."""
LARGEST_KEPT = 32 << 20
"""Bytes; the highest that glibc goes to by itself."""
SAID_BY = ("MALLOC_TRIM_THRESHOLD_", "MALLOC_MMAP_THRESHOLD_", "GLIBC_TUNABLES")


def keep_freed() -> None:
    """From now on in this process, unless the user said otherwise."""
    if sys.platform != "linux" or any(name in os.environ for name in SAID_BY):
        return
    mallopt = getattr(ctypes.CDLL(None), "mallopt", None)
    if mallopt is not None:  # musl has none
        mallopt(MMAP_THRESHOLD, LARGEST_KEPT)
        mallopt(TRIM_THRESHOLD, 2 * LARGEST_KEPT)
