"""Events in words: one line for a person, from one event.

The record of an event comes in, as `events.jsonl` has it; a sentence comes out, without its time. The line display, the
event list and the report use the same words.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

__all__ = ["MARKS", "clock_text", "facts_of", "sentence", "standing", "tone"]

MARKS: Mapping[str, str] = {"critical": "▲▲", "high": "▲", "medium": "◆", "low": "●"}
"""A shape for each priority, so that it reads without colour."""

_TONES: Mapping[str, str] = {"critical": "bold red", "high": "red", "medium": "yellow", "low": "cyan"}

_STANDING: Mapping[tuple[str, str], str] = {
    ("returned to normal", "returned to normal unacknowledged"): "over, not acknowledged",
    ("returned to normal", "normal"): "over",
    ("latched", "latched unacknowledged"): "over, latched, not acknowledged",
    ("latched", "latched acknowledged"): "over, latched",
    ("acknowledged", "normal"): "acknowledged, over",
    ("acknowledged", "latched acknowledged"): "acknowledged, still latched",
}
"""What a transition to a state means, where its name does not say all of it."""


def clock_text(seconds: float) -> str:
    """Data time as `m:ss.ss`, or `h:mm:ss.ss` from an hour on."""
    hundredths = round(seconds * 100)
    minutes, rest = divmod(hundredths, 6000)
    hours, minutes = divmod(minutes, 60)
    tail = f"{rest // 100:02d}.{rest % 100:02d}"
    return f"{hours}:{minutes:02d}:{tail}" if hours else f"{minutes}:{tail}"


def tone(record: Mapping[str, Any]) -> str:
    """How rich should style the line: quiet unless an alarm was raised."""
    if record["event"] == "alarm" and record.get("transition") == "raised":
        return _TONES.get(record.get("priority", ""), "")
    return "bold" if record["event"] in ("flood", "clock") else "dim"


def sentence(record: Mapping[str, Any]) -> str:
    """What happened, in one line."""
    kind, subject = record["event"], record.get("subject", "")
    if kind == "alarm":
        return _alarm(record, subject)
    if kind == "quality":
        return f"{subject}: {record.get('what', record.get('quality', 'changed'))}"
    if kind == "oddity":
        counts = record.get("counts", {})
        return "odd so far: " + ", ".join(f"{number} {what}" for what, number in counts.items())
    if kind == "clock":
        return f"the source's clock {record['what']} by {abs(record['step']):g} {record['unit']}"
    if kind == "flood":
        return f"alarm flood {record.get('what', '')}"
    if kind == "chattering":
        return f"{subject} is chattering"
    if kind == "pull":
        return f"pull {record.get('number', '')} ended".replace("  ", " ")
    if kind in ("marker", "note"):
        return f"{kind} at {clock_text(record.get('at', record['time']))}: {record.get('text', '')}"
    if kind == "started":
        return f"started with profile {record.get('profile', '')}"
    if kind == "ended":
        return f"ended after {record.get('rows', 0)} rows"
    return f"{kind} {subject}".strip()


def standing(record: Mapping[str, Any]) -> str:
    """How an alarm stands after a transition, in words."""
    word = str(record.get("transition", ""))
    return _STANDING.get((word, str(record.get("state", ""))), word)


def facts_of(because: Iterable[Mapping[str, Any]]) -> list[str]:
    """What made an alarm true, each as `channel value unit`. Conditions that only had to hold (plain 1 or 0) and what
    is unknown are left out; the first one, which was compared with the set point, never is."""
    said: list[str] = []
    for number, fact in enumerate(because):
        value, unit = fact["value"], fact["unit"]
        if value is None or (number and unit == "1" and value in (0, 1)):
            continue
        said.append(f"{fact['channel']} {value:.4g}" + ("" if unit == "1" else f" {unit}"))
    return said


def _alarm(record: Mapping[str, Any], subject: str) -> str:
    priority = record.get("priority", "")
    if record.get("transition") != "raised":
        reason = record.get("reason")
        return f"{subject}: {standing(record)}" + (f" ({reason})" if reason else "")
    said = record.get("message") or subject.replace("_", " ")
    facts = facts_of(record.get("because", ()))
    first = " [first out]" if record.get("first_out") else ""
    action = record.get("action", "")
    parts = [f"{MARKS.get(priority, '')} {priority.upper()} {said}{first}", "; ".join(facts), action]
    return " · ".join(part for part in parts if part)
