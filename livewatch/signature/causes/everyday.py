"""Nothing is wrong: what the other causes are weighed against."""

from __future__ import annotations

from collections.abc import Iterator

from livewatch.signature.causes.facts import Facts
from livewatch.signature.causes.hypothesis import Hypothesis, Judged

__all__ = ["HYPOTHESIS"]


class Everyday(Hypothesis):
    """Part tolerances, fuel, weather."""

    name, family, short = "everyday", "none", "everyday adaptation"
    title = "nothing beyond everyday adaptation"
    log_prior = 0.0
    systems, danger, explains = (), 9, ()
    settles = ""
    plain = "everyday adaptation"
    remedy = ""

    def reasons_against(self, judged: Judged, facts: Facts) -> Iterator[str]:
        if judged.probability < 0.5:
            yield "more than parts tolerance, fuel and weather usually make"


HYPOTHESIS = Everyday()
