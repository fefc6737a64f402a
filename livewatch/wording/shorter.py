"""Shorter words for the same, for narrow screens.

What the signature says in full comes in; the ways to say it come out, the fullest first, as `drawing.fitting` takes
them. Every shorter one is true by itself: it leaves out figures or explanations, never a condition or a caution.
"""

from __future__ import annotations

import re
from functools import lru_cache

from livewatch.signature.causes.registry import HYPOTHESES

__all__ = [
    "CAUSES",
    "DRIVES",
    "alarm_names",
    "authority_words",
    "cause_words",
    "drive_words",
    "size_words",
    "verdict_words",
]

CAUSES = {one.title.partition(":")[0]: one.short for one in HYPOTHESES.values()}
"""The causes as the signature calls them, and in 27 characters at the most."""

DRIVES = {
    "Make two more full-pedal pulls in third gear, on a closed course or a dyno, cooling down in between.": (
        "Two more full-pedal pulls in third gear, closed course or dyno, cooling down in between."
    ),
    "Make one full-pedal pull in third gear from 2000 rpm, on a closed course or a dyno; lift at the first alarm.": (
        "One full-pedal pull in third gear from 2000 rpm, closed course or dyno; lift at the first alarm."
    ),
    "Drive nothing more at full load until the cause is settled: measure it standing first.": (
        "No more full load until the cause is settled: measure it standing first."
    ),
}

_TIE = "; the data cannot tell this from: "
_MISFIT = "The calibration does not fit the parts: "
_LABELS = (
    (("short term fuel trim", "short trim"), ("long term fuel trim", "long trim"), ("both fuel trims", "both trims")),
    ((" together", ""), (" for knock", ""), (" duty", ""), (" correction", ""), (", bank ", " b")),
)


@lru_cache(maxsize=256)
def drive_words(text: str) -> tuple[str, ...]:
    """What to drive next."""
    return (text, DRIVES[text]) if text in DRIVES else (text,)


@lru_cache(maxsize=256)
def cause_words(title: str) -> tuple[str, ...]:
    """A cause."""
    return (title, CAUSES[title]) if title in CAUSES else (title,)


@lru_cache(maxsize=256)
def size_words(size: str) -> tuple[str, ...]:
    """How large a cause is: in full, and the number with its interval alone."""
    found = re.search(r"(?:^|\s)([-+]?\d[\d.e+-]*(?: \S+)? \([^()]* to [^()]*\))$", size)
    where = re.match(r"at \S+ \S+ (?=the )", size)
    if found is None or found[1] == size:
        return (size,)
    return (size, f"{where[0] if where else ''}{found[1]}")


@lru_cache(maxsize=256)
def verdict_words(sentence: str) -> tuple[str, ...]:
    """Why the verdict is what it is: in full, without figures, with short names of the causes."""
    found = [sentence]
    bare = _without_brackets(sentence)
    found.append(bare)
    short = bare.replace(_TIE, "; or ").replace(_MISFIT, "Does not fit: ")
    for title, name in CAUSES.items():
        short = re.sub(re.escape(title) + r"(: [^;:.]*)?(?=[;.]| or |$)", name, short)
    found.append(short)
    return tuple(dict.fromkeys(found))


@lru_cache(maxsize=256)
def authority_words(label: str) -> tuple[str, ...]:
    """A controller."""
    found = [label]
    for step in _LABELS:
        for long, short in step:
            label = label.replace(long, short)
        found.append(label)
    return tuple(dict.fromkeys(found))


def alarm_names(message: str, name: str) -> tuple[str, ...]:
    """What an alarm is called: its message, and its name where that is shorter."""
    message = message.rstrip(".")
    if not message:
        return (name,)
    return (message, name) if len(name) < len(message) else (message,)


def _without_brackets(text: str) -> str:
    while (bare := re.sub(r" ?\([^()]*\)", "", text)) != text:
        text = bare
    return text
