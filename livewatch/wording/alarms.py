"""How an alarm stands, in words."""

from __future__ import annotations

from livewatch.alarms import AlarmState, State

__all__ = ["SHORT_STATES", "STATE_WORDS", "state_word"]

STATE_WORDS = {
    State.NORMAL: "normal",
    State.UNACKNOWLEDGED: "not acknowledged",
    State.ACKNOWLEDGED: "acknowledged",
    State.RETURNED: "over, not acknowledged",
    State.LATCHED_UNACKNOWLEDGED: "over, latched, not acknowledged",
    State.LATCHED_ACKNOWLEDGED: "over, latched",
    State.SHELVED: "shelved",
    State.SUPPRESSED: "suppressed by design",
    State.OUT_OF_SERVICE: "out of service",
}
"""How an alarm stands."""
SHORT_STATES = {**STATE_WORDS, State.LATCHED_UNACKNOWLEDGED: "over, latched, not ack."}
"""The same where there is little room."""


def state_word(alarm: AlarmState, short: bool = False) -> str:
    """How an alarm stands, in words."""
    return (SHORT_STATES if short else STATE_WORDS)[alarm.state]
