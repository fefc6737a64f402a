"""The states and priorities of alarms, after ANSI/ISA-18.2: words that profiles, alarms, events and screens share."""

from __future__ import annotations

from enum import StrEnum
from typing import Final, Literal, get_args

__all__ = ["HIDDEN", "PRIORITIES", "STANDING", "UNACKNOWLEDGED", "Priority", "State"]

Priority = Literal["critical", "high", "medium", "low"]
PRIORITIES: Final[tuple[Priority, ...]] = get_args(Priority)
"""Most urgent first."""


class State(StrEnum):
    """The states of the standard's diagram, by its letters."""

    NORMAL = "normal"
    """A."""
    UNACKNOWLEDGED = "unacknowledged alarm"
    """B."""
    ACKNOWLEDGED = "acknowledged alarm"
    """C."""
    RETURNED = "returned to normal unacknowledged"
    """D."""
    LATCHED_UNACKNOWLEDGED = "latched unacknowledged"
    """E."""
    LATCHED_ACKNOWLEDGED = "latched acknowledged"
    """F."""
    SHELVED = "shelved"
    """G."""
    SUPPRESSED = "suppressed by design"
    """H."""
    OUT_OF_SERVICE = "out of service"
    """I."""


STANDING: Final = frozenset({State.UNACKNOWLEDGED, State.ACKNOWLEDGED})
"""The condition holds, and the alarm says so."""
UNACKNOWLEDGED: Final = frozenset({State.UNACKNOWLEDGED, State.RETURNED, State.LATCHED_UNACKNOWLEDGED})
"""Somebody has yet to answer."""
HIDDEN: Final = frozenset({State.SHELVED, State.SUPPRESSED, State.OUT_OF_SERVICE})
"""Nothing is announced."""
