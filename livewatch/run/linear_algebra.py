"""How many threads numpy's linear algebra may use: one.

The matrices of a finding have some hundred rows. The threads that OpenBLAS and its like start for every further core
take longer to agree than to multiply, and wait for each other by spinning: they take a core from the judging thread of
a live run and from the other processes of a pile. `in_one_thread` is called before numpy is imported for the first
time; afterwards it holds for the processes that are started from then on.
"""

from __future__ import annotations

import os

__all__ = ["in_one_thread"]

SAID_BY = ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "BLIS_NUM_THREADS", "VECLIB_MAXIMUM_THREADS")
"""What the libraries that numpy is built with read when they are loaded."""


def in_one_thread() -> None:
    """One thread for each of them, unless the user said otherwise."""
    for name in SAID_BY:
        os.environ.setdefault(name, "1")
