"""Which channels tell who or where: identification numbers and positions. They stay out of whatever is handed on,
unless they are asked for.

A channel's name comes in, whether it is private goes out, by the words in it. A throttle's position is no place on
earth, and an accelerator pedal's neither.
"""

from __future__ import annotations

import re

__all__ = ["is_private"]

_WORDS = frozenset(
    (
        *("vin", "serial", "identification", "registration", "licence", "license", "plate", "imei", "iccid", "phone"),
        *("latitude", "longitude", "lat", "lon", "lng", "gnss", "gps", "geo", "driver", "owner"),
    )
)


def is_private(name: str) -> bool:
    """Whether a channel of this name is left out of what is handed on."""
    return not _WORDS.isdisjoint(re.split(r"[^a-z]+", name.lower()))
