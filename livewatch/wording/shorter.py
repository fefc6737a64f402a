"""Shorter words for the same, for narrow screens.

What the signature says in full comes in; the ways to say it come out, the fullest first, as `drawing.fitting` takes
them. Every shorter one is true by itself: it leaves out figures or explanations, never a condition or a caution.
"""

from __future__ import annotations

from functools import lru_cache

from livewatch.signature.evidence.authority import TOTAL, AuthorityUse
from livewatch.signature.evidence.coverage import MEASURE_FIRST, MORE_PULLS, ONE_PULL

__all__ = ["DRIVES", "alarm_names", "authority_words", "drive_words", "system_words"]


DRIVES = {
    MORE_PULLS: "Two more full-pedal pulls in third gear, closed course or dyno, cooling down in between.",
    ONE_PULL: "One full-pedal pull in third gear from 2000 rpm, closed course or dyno; lift at the first alarm.",
    MEASURE_FIRST: "No more full load until the cause is settled: measure it standing first.",
}

_CONTROLLERS = {
    "short_term_fuel_trim": "short trim", "long_term_fuel_trim": "long trim", TOTAL: "both trims",
    "knock_retard": "ignition taken back", "wastegate_duty": "boost solenoid", "idle_air_correction": "idle air",
}  # fmt: skip


@lru_cache(maxsize=256)
def drive_words(text: str) -> tuple[str, ...]:
    """What to drive next."""
    return (text, DRIVES[text]) if text in DRIVES else (text,)


@lru_cache(maxsize=256)
def system_words(systems: tuple[tuple[str, str], ...]) -> tuple[str, ...]:
    """Every system and its word, in a line or two."""
    shorter = {"fuel at part load": "part load", "fuel under load": "load", "fuel supply": "supply"}
    full = " · ".join(f"{system} {word}" for system, word in systems)
    return (full, " · ".join(f"{shorter.get(system, system)} {word}" for system, word in systems))


def authority_words(use: AuthorityUse) -> tuple[str, ...]:
    """A controller."""
    short = _CONTROLLERS.get(use.correction, use.label)
    return (use.label, f"{short}, bank {use.bank}", f"{short} b{use.bank}") if use.bank else (use.label, short)


def alarm_names(message: str, name: str) -> tuple[str, ...]:
    """What an alarm is called: its message, and its name where that is shorter."""
    message = message.rstrip(".")
    if not message:
        return (name,)
    return (message, name) if len(name) < len(message) else (message,)
