"""What is told of the corrections: which of them, and how far each is from everyday."""

from __future__ import annotations

import math
from collections.abc import Sequence

from livewatch.data.alarm_states import Priority
from livewatch.signature.evidence.authority import AuthorityUse

__all__ = ["beyond_word", "is_beyond", "most_used"]

NEAR = 0.8
"""Share of a limit from which a correction is near it."""
AT = 0.98
CALM = 0.15
"""Share of a limit by which one correction is used more than another before it takes its row."""


def is_beyond(use: AuthorityUse) -> bool:
    """Whether a correction lies outside its everyday band now."""
    return use.value < use.everyday[0] or use.value > use.everyday[1]


def beyond_word(use: AuthorityUse) -> tuple[str, Priority | None]:
    """A word and a priority for a correction that is not everyday; empty for one that is."""
    if not math.isfinite(use.value):
        return "", None
    share = use.used if math.isfinite(use.used) else 0.0
    if share >= AT:
        return "AT ITS LIMIT", "high"
    if share >= NEAR:
        return "near its limit", "medium"
    return ("beyond everyday", "low") if is_beyond(use) else ("", None)


def most_used(uses: Sequence[AuthorityUse], rows: int, shown: frozenset[str]) -> Sequence[AuthorityUse]:
    """As many as there are rows for: the most used ones, in their usual order. One that is `shown` already gives way to
    one that is used more by CALM at least."""
    if len(uses) <= rows:
        return uses

    def worth(use: AuthorityUse) -> float:
        used = use.used if math.isfinite(use.used) else -1.0
        return used + (1.0 if used >= AT else 0.0) + (CALM if use.name in shown else 0.0)

    ranked = sorted(uses, key=worth, reverse=True)[:rows]
    return [use for use in uses if use in ranked]
