"""How often each asked channel really comes: of a car that is polled, that is what can be seen of it.

A pipeline comes in, now and then; samples a second of each channel bound to a parameter of the diagnostic port come
out, over the last seconds of data time, or over all of it.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from livewatch.run.pipeline import Pipeline

__all__ = ["AchievedRates", "rates_of"]

WINDOW = 3_000_000_000
"""Nanoseconds of data time that a rate on the screen is taken over, at the least."""


class AchievedRates:
    """`rates` are those of the last window: empty before the first, and where nothing is asked."""

    def __init__(self) -> None:
        self.rates: Mapping[str, float] = {}
        self._pipeline: Pipeline | None = None
        self._since = 0
        self._received: NDArray[np.int64] = np.empty(0, np.int64)

    def observe(self, pipeline: Pipeline) -> Mapping[str, float]:
        """Look at the pipeline; the rates."""
        if pipeline is not self._pipeline or pipeline.time < self._since:
            self._pipeline, self.rates = pipeline, {}
            self._since, self._received = pipeline.time, pipeline.received.copy()
        past = pipeline.time - self._since
        if past >= WINDOW:
            self.rates = _rates(pipeline, pipeline.received - self._received, past)
            self._since, self._received = pipeline.time, pipeline.received.copy()
        return self.rates


def rates_of(pipeline: Pipeline) -> Mapping[str, float]:
    """The same over the whole run; empty for one of less than a second."""
    return _rates(pipeline, pipeline.received, pipeline.time) if pipeline.time >= 1_000_000_000 else {}


def _rates(pipeline: Pipeline, received: NDArray[np.int64], past: int) -> Mapping[str, float]:
    return {
        channel.name: float(received[place]) / (past / 1e9)
        for place, channel in enumerate(pipeline.profile.channels)
        if channel.parameter is not None
    }
