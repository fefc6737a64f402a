"""Which channels tell who or where: identification numbers and positions. They stay out of whatever is handed on,
unless they are asked for.

A channel's name comes in, whether it is private goes out, by the words in it. A throttle's position is no place on
earth, and an accelerator pedal's neither. Texts come in, and go out without identification numbers.
"""

from __future__ import annotations

import re

__all__ = ["is_private", "without_identification"]

_WORDS = frozenset(
    (
        *("vin", "serial", "identification", "registration", "licence", "license", "plate", "imei", "iccid", "phone"),
        *("latitude", "longitude", "lat", "lon", "lng", "gnss", "gps", "geo", "driver", "owner"),
    )
)
_NUMBER = re.compile(r"(?<![A-Za-z0-9])(?=[A-Z0-9]*\d)(?=[A-Z0-9]*[A-Z])[A-HJ-NPR-Z0-9]{17}(?![A-Za-z0-9])")
"""A vehicle identification number: 17 characters without I, O and Q (ISO 3779)."""


def is_private(name: str) -> bool:
    """Whether a channel of this name is left out of what is handed on."""
    return not _WORDS.isdisjoint(re.split(r"[^a-z]+", name.lower()))


def without_identification(text: str) -> str:
    """The text with every vehicle identification number left out."""
    return _NUMBER.sub("(identification number left out)", text)
