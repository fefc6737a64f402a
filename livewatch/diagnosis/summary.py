"""A diagnosis in few words: some lines of text, or a small table for a notebook."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from html import escape

from livewatch.alarms.spells import AlarmSpell
from livewatch.data.alarm_states import PRIORITIES
from livewatch.diagnosis.assessment import Assessment

__all__ = ["as_lines", "as_table", "facts_of"]

LEAST_PROBABLE = 0.02
"""Probability of a cause below which it is left out."""


def facts_of(assessed: Assessment, alarms: Sequence[AlarmSpell], odd: Mapping[str, int]) -> Iterator[tuple[str, str]]:
    """Label and text of each: the verdict, the causes, alarms, pulls, what was odd, what to drive next."""
    said = assessed.finding
    yield "verdict", f"{said.verdict.word.upper()}: {said.sentence}"
    if assessed.contradiction:
        yield "build sheet", assessed.contradiction
    for cause in said.causes:
        if cause.probability >= LEAST_PROBABLE:
            size = f" ({cause.size})" if cause.size else ""
            yield "cause", f"{100.0 * cause.probability:.0f} % {cause.title}{size}"
    raised = Counter(spell.priority for spell in alarms)
    counts = ", ".join(f"{raised[priority]} {priority}" for priority in PRIORITIES if raised[priority])
    yield "alarms", counts or "none"
    yield "pulls", str(said.pull_count)
    if odd:
        yield "odd", ", ".join(f"{number} {kind}" for kind, number in odd.items())
    yield "drive next", said.next_drive


def as_lines(title: str, facts: Iterator[tuple[str, str]]) -> str:
    """Some lines of text."""
    return "\n".join([title, *(f"  {label:<11} {text}" for label, text in facts)])


def as_table(title: str, facts: Iterator[tuple[str, str]]) -> str:
    """An HTML table, everything from outside escaped."""
    rows = "".join(
        f'<tr><th style="text-align:left">{escape(label)}</th><td style="text-align:left">{escape(text)}</td></tr>'
        for label, text in facts
    )
    return f"<table><caption>{escape(title)}</caption>{rows}</table>"
