"""Whether a lean alarm was of the moment in which the throttle opens.

The event of an alarm with its seconds before comes in, yes or no goes out. What is wrong with a shut throttle is
carried into load for about half a second: an engine computer with an air meter goes by manifold pressure while the
throttle moves, corrected by what the meter said just before (Heywood 1988, section 7.6.2, from memory, has the filling
of the manifold that asks for it), so that air which the meter lacked is lacking still; and a trim that took fuel away
does so until the loop has seen the new mixture.
"""

from __future__ import annotations

from typing import Final

from livewatch.data.events import AlarmChanged

__all__ = ["is_at_opening"]

CARRIED: Final = 1.5
"""s from a throttle that was shut until the meter has had its say, and gas, sensor and polling have caught up; common
practice."""
SHUT: Final = 65.0
"""kPa in the manifold, of some 100 outside: below, a throttle is shut for the most part; common practice."""


def is_at_opening(event: AlarmChanged) -> bool:
    """Whether the throttle had been shut shortly before a lean alarm was raised."""
    if event.before is None or not event.subject.startswith("lean_under_load"):
        return False
    read = event.before.channels.get("manifold_pressure", ())[-round(CARRIED / event.before.every) :]
    return any(value is not None and value < SHUT for value in read)
