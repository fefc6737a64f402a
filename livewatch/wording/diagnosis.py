"""A diagnosis in few words: some lines of text, or a small table for a notebook."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from html import escape

from livewatch.data.alarm_states import PRIORITIES
from livewatch.diagnosis.diagnosis import Diagnosis
from livewatch.wording.events import clock_text

__all__ = ["summary", "table"]

LEAST_PROBABLE = 0.02
"""Probability of a cause below which it is left out."""


def summary(diagnosis: Diagnosis) -> str:
    """Some lines: what was read, the verdict, the causes, alarms, pulls, what to drive next."""
    return "\n".join([_title(diagnosis), *(f"  {label:<11} {text}" for label, text in _facts(diagnosis))])


def table(diagnosis: Diagnosis) -> str:
    """The same as an HTML table, everything from outside escaped."""
    rows = "".join(
        f'<tr><th style="text-align:left">{escape(label)}</th><td style="text-align:left">{escape(text)}</td></tr>'
        for label, text in _facts(diagnosis)
    )
    return f"<table><caption>{escape(_title(diagnosis))}</caption>{rows}</table>"


def _title(diagnosis: Diagnosis) -> str:
    return f"{diagnosis.path} · {diagnosis.kind} · {clock_text(diagnosis.duration / 1e9)} long"


def _facts(diagnosis: Diagnosis) -> Iterator[tuple[str, str]]:
    said = diagnosis.assessment.finding
    yield "verdict", f"{said.verdict.word.upper()}: {said.sentence}"
    for cause in diagnosis.causes:
        if cause.probability >= LEAST_PROBABLE:
            size = f" ({cause.size})" if cause.size else ""
            yield "cause", f"{100.0 * cause.probability:.0f} % {cause.title}{size}"
    raised = Counter(spell.priority for spell in diagnosis.alarms)
    counts = ", ".join(f"{raised[priority]} {priority}" for priority in PRIORITIES if raised[priority])
    yield "alarms", counts or "none"
    yield "pulls", str(said.pull_count)
    if diagnosis.odd:
        yield "odd", ", ".join(f"{number} {kind}" for kind, number in diagnosis.odd.items())
    yield "drive next", said.next_drive
