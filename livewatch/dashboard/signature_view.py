"""What the signature says, for the screen."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from livewatch.dashboard.picture import AuthorityUse, NeedMap, Pull, Verdict
from livewatch.history import History
from livewatch.profile.model import Profile
from livewatch.ticks import TickBatch

__all__ = ["SignatureView", "authority_now", "view_of"]


@dataclass(frozen=True, slots=True)
class SignatureView:
    """An assessment as the screen shows it."""

    authority: tuple[AuthorityUse, ...] = ()
    verdict: Verdict = field(default_factory=Verdict)
    pulls: tuple[Pull, ...] = ()
    need: NeedMap | None = None


def view_of(assessment: Any, profile: Profile, history: History | None) -> SignatureView:
    return SignatureView()


def authority_now(authority: Sequence[AuthorityUse], ticks: TickBatch | None) -> tuple[AuthorityUse, ...]:
    """The same with the corrections of the latest tick."""
    found = []
    for use in authority:
        value = math.nan if ticks is None else float(ticks.column(use.name)[-1])
        found.append(replace(use, value=value))
    return tuple(found)
