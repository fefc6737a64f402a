"""The sentence that matters now.

A snapshot comes in; the one thing to do and why comes out. The order is fixed: the most urgent alarm, then a source or
a recording in trouble, then how the calibration stands, in a quiet voice.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from livewatch.alarms import AlarmState
from livewatch.dashboard.content.alarms import OVER, alarm_facts
from livewatch.dashboard.content.corrections import is_beyond
from livewatch.dashboard.content.snapshot import Snapshot
from livewatch.data.alarm_states import Priority
from livewatch.data.channels import in_words
from livewatch.wording.events import MARKS
from livewatch.wording.reader_units import ReaderUnits
from livewatch.wording.shorter import alarm_names

__all__ = ["OLD_SNAPSHOT", "Headline", "headline"]

OLD_SNAPSHOT = 1.0
"""Seconds after which a snapshot is too old to be taken for the present."""


@dataclass(frozen=True, slots=True)
class Headline:
    """What is at the top of every screen.

    Attributes:
        priority: of the alarm it speaks of; None when it speaks of none.
        shape, word: say the priority without colour; empty when it is quiet.
        action: what to do, short; empty when nothing is asked of anybody.
        reason: why, with figures.
        shorter: the same in fewer words each, where there is little room.
        more: the rest of the advice.
        answered: whether somebody has acknowledged it.
        also: how many more alarms wait behind it.
        unheard: s since the run answered last, infinite when it never has; None while it answers.
    """

    priority: Priority | None = None
    shape: str = ""
    word: str = ""
    action: str = ""
    reason: str = ""
    shorter: tuple[str, ...] = ()
    more: str = ""
    answered: bool = True
    also: int = 0
    unheard: float | None = None


def headline(snapshot: Snapshot | None, units: ReaderUnits, now: float, problem: str = "") -> Headline:
    """The sentence for a snapshot looked at when the machine's monotonic clock stands at `now`, s; `problem` is why no
    more snapshots come."""
    if problem:
        return Headline("high", MARKS["high"], "ENDED", reason=f"The run has ended: {problem}", answered=False)
    if snapshot is None:
        return Headline(reason="Starting.")
    age = now - snapshot.made
    if age > OLD_SNAPSHOT and not snapshot.ended:
        return Headline(
            "high",
            MARKS["high"],
            "NO ANSWER",
            "Do not rely on this screen",
            f"The run has not answered{f' for {age:.0f} s' if math.isfinite(age) else ''}; everything below is old.",
            answered=False,
            unheard=age,
        )
    announced = snapshot.announced
    if announced:
        return _of_alarm(announced[0], snapshot, units, len(announced) - 1)
    if snapshot.trouble:
        return Headline(
            "medium", MARKS["medium"], "CHECK", reason=snapshot.trouble[0], more=" ".join(snapshot.trouble[1:])
        )
    if snapshot.ticks is None:
        buses = ", ".join(snapshot.profile.buses) or "the source"
        return Headline(reason=f"Waiting for the first frame on {buses}.")
    return _quiet(snapshot)


def _of_alarm(alarm: AlarmState, snapshot: Snapshot, units: ReaderUnits, also: int) -> Headline:
    action, more = _first_sentence(alarm.action)
    names = [_capital(name) for name in alarm_names(alarm.message, in_words(alarm.name))]
    measured, facts = alarm_facts(alarm, snapshot, units)
    if alarm.cannot_judge:
        facts += (", " if facts else "") + "can no longer be judged"
        measured = "can no longer be judged"
    word = alarm.priority.upper()
    if alarm.state in OVER:
        # The condition has gone: what it asked for at once is no longer what to do now.
        return Headline(
            priority=alarm.priority,
            shape=MARKS[alarm.priority],
            word=f"WAS {word}",
            action="",
            reason=f"{names[0]}: over now.",
            shorter=tuple(f"{name}: over now." for name in names[1:]),
            more=more or alarm.action,
            answered=alarm.acknowledged,
            also=also,
        )
    sentences = [f"{name}: {said}." if said else f"{name}." for said in (facts, measured) for name in names]
    sentence, *shorter = dict.fromkeys(sentences)
    return Headline(
        priority=alarm.priority,
        shape=MARKS[alarm.priority],
        word=word,
        action=action,
        reason=sentence,
        shorter=tuple(shorter),
        more=more,
        answered=alarm.acknowledged,
        also=also,
    )


def _quiet(snapshot: Snapshot) -> Headline:
    word = snapshot.verdict.word
    most = max((use for use in snapshot.authority if math.isfinite(use.used)), key=lambda use: use.used, default=None)
    if word in ("misfit", "strained"):
        said = [f"No alarm. {_capital(word)}: {text}".rstrip(": ") for text in snapshot.verdict.sentence]
        return Headline(reason=said[0], shorter=tuple(said[1:]))
    if most is None:
        return Headline(reason="No alarm.")
    everyday = "beyond everyday" if is_beyond(most) else "everyday"
    used = f"{most.used * 100:.0f} % of its limit, {everyday}."
    return Headline(reason=f"No alarm. The most used correction is {most.label}: {used}")


def _first_sentence(text: str) -> tuple[str, str]:
    """What a profile's writer wants done at once, and the rest: the first sentence of a user's text, shown large."""
    head, stop, rest = text.partition(". ")
    return (head if stop else head.rstrip(".")), rest.strip()


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
