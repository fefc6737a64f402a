"""How often each asked channel really comes: of a car that is polled, that is what can be seen of it.

A pipeline comes in, now and then; of each channel bound to a parameter of the diagnostic port, how often it came and
how often the profile wanted it come out, over the last seconds of data time, or over all of it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import nan

import numpy as np
from numpy.typing import NDArray

from livewatch.profile.model import Profile
from livewatch.run.pipeline import Pipeline

__all__ = ["AchievedRates", "Rate", "rates_of"]

WINDOW = 5_000_000_000
"""Nanoseconds of data time that a rate on the screen is taken over, at the least."""
SHORT = 0.8
"""Share of what was wanted below which a channel falls short."""


@dataclass(frozen=True, slots=True)
class Rate:
    """Samples a second that came, and that the profile's polls wanted, NaN where none of them brings the channel; seen
    `over` so many s."""

    achieved: float
    wanted: float
    over: float

    @property
    def short(self) -> bool:
        """Whether clearly fewer came than were wanted, one more aside, which may just be on its way."""
        return self.achieved + 1.0 / self.over < SHORT * self.wanted


class AchievedRates:
    """`rates` are those of the last window: empty before the first, and where nothing is asked."""

    def __init__(self) -> None:
        self.rates: Mapping[str, Rate] = {}
        self._pipeline: Pipeline | None = None
        self._since = 0
        self._received: NDArray[np.int64] = np.empty(0, np.int64)

    def observe(self, pipeline: Pipeline) -> Mapping[str, Rate]:
        """Look at the pipeline; the rates."""
        if pipeline is not self._pipeline or pipeline.time < self._since:
            self._pipeline, self.rates = pipeline, {}
            self._since, self._received = pipeline.time, pipeline.received.copy()
        past = pipeline.time - self._since
        if past >= WINDOW:
            self.rates = _rates(pipeline, pipeline.received - self._received, past)
            self._since, self._received = pipeline.time, pipeline.received.copy()
        return self.rates


def rates_of(pipeline: Pipeline) -> Mapping[str, Rate]:
    """The same over the whole run; empty for one of less than a second."""
    return _rates(pipeline, pipeline.received, pipeline.time) if pipeline.time >= 1_000_000_000 else {}


def _rates(pipeline: Pipeline, received: NDArray[np.int64], past: int) -> Mapping[str, Rate]:
    wanted = _wanted(pipeline.profile)
    return {
        channel.name: Rate(float(received[place]) * 1e9 / past, wanted.get(channel.parameter[:2], nan), past / 1e9)
        for place, channel in enumerate(pipeline.profile.channels)
        if channel.parameter is not None
    }


def _wanted(profile: Profile) -> dict[tuple[int, int], float]:
    """How often a second each parameter (service, identifier) is wanted."""
    return {(poll.service, poll.identifier): 1e9 / poll.every for port in profile.diagnostics for poll in port.poll}
