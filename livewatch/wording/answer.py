"""What a build means so far, in words that everybody understands: for the form that asks, and whoever prints it.

An `Answer` comes in, lines go out: whether another calibration is needed, whether full load may be driven, what one
answer led to, what is still unknown.
"""

from __future__ import annotations

from collections.abc import Iterator

from livewatch.build_sheet.intake.answer import Answer, Consequence
from livewatch.data.channels import in_words
from livewatch.wording.forecast import RECALIBRATE

__all__ = ["SHEET_CAUTION", "answer_lines", "consequence_lines", "unknown_line"]

SHEET_CAUTION = (
    "This is what was said, not what was measured: look at the parts. Full load only on a closed course or a dyno, the "
    "driver drives and a passenger reads."
)
_NEEDED = {
    "yes": "! These parts need another calibration.",
    "no": "= These parts need no other calibration, as far as a sheet can tell.",
    "unknown": "? It is not known yet whether these parts need another calibration.",
}
_FULL_LOAD = {
    "advised against": "! No full load until then",
    "unknown": "? No full load yet: not enough is known.",
    "nothing speaks against it": "= Nothing that was said speaks against full load.",
}


def answer_lines(answer: Answer) -> Iterator[str]:
    """The answer so far."""
    yield _NEEDED[answer.recalibrate]
    if answer.full_load != "advised against":
        yield _FULL_LOAD[answer.full_load]
        return
    first, *others = answer.reasons
    until = "" if answer.recalibrate == "yes" else ", until it is known"
    start = _FULL_LOAD["advised against"] if answer.recalibrate == "yes" else "! No full load"
    yield f"{start}{until}: {first}."
    for reason in others:
        yield f"  Also {reason}."


def consequence_lines(answer: Answer, slot: str) -> Iterator[str]:
    """What the difference at one slot leads to; nothing where there is none."""
    for one in answer.consequences:
        if one.prediction.slot == slot:
            yield from _consequence(one)


def _consequence(one: Consequence) -> Iterator[str]:
    words = RECALIBRATE[one.recalibrate]
    if not one.is_sure:
        yield f"{in_words(one.prediction.slot).capitalize()}: {words}; it hangs on what kind of engine it is."
        return
    yield f"{in_words(one.prediction.slot).capitalize()}: {words}."
    yield f"  {one.prediction.why}"
    for missing in one.prediction.missing:
        yield f"  To know more: {missing}."


def unknown_line(answer: Answer) -> str:
    """Which parts are not known; empty where all are."""
    if not answer.unknown:
        return ""
    return f"Not known yet: {', '.join(map(in_words, answer.unknown))}."
