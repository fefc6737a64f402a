"""What the signature found, and the build sheet beside it, as a page of plain text for a person."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence
from math import isnan
from typing import TYPE_CHECKING

from livewatch.diagnosis.assessment import contradiction_in
from livewatch.signature.cause import Cause
from livewatch.signature.evidence.pulls import Pull
from livewatch.signature.finding import Finding

if TYPE_CHECKING:
    from livewatch.diagnosis.comparison import Comparison

__all__ = ["page"]

WIDTH = 79
MOST_PULLS = 8
LEAST_PROBABLE = 0.02
MARKS = {"fits": "=", "strained": "~", "misfit": "!", "unproven": "?", "not seen": "·"}


def page(said: Finding, build: Sequence[Comparison] = (), caveats: Sequence[str] = ()) -> str:
    """The page, `build` beside it, `caveats` among what it cannot know. Lines are at most 79 characters wide."""
    lines = [f"{MARKS[said.verdict.word]} {said.verdict.word.upper()}  ", *_wrapped(said.sentence, "  ")]
    if contradiction := contradiction_in(build):
        lines += _wrapped(contradiction, "  ")
    lines += [""]
    lines += _systems(said)
    lines += _causes(said)
    lines += _authority(said)
    lines += _coverage(said)
    lines += _pulls(said)
    if build:
        lines += ["Predicted from the build sheet, beside what was measured", ""]
        lines += [line for one in build for line in _wrapped(one.sentence, "  ")] + [""]
    for title, sentences in (
        ("Fault codes of the car, beside it", [f"{one}" for one in said.verdict.codes]),
        ("Not believed", [f"{one.channel}: {one.problem}" for one in said.mixed_up]),
        ("Assumed", said.assumed),
        ("What it cannot know here", [*said.missing, *caveats]),
    ):
        if sentences:
            lines.append(title)
            lines += [line for sentence in sentences for line in _wrapped(f"- {sentence}", "  ", "    ")] + [""]
    lines += [f"Drive next: {said.next_drive}"] if len(said.next_drive) < 66 else [
        "Drive next:", *_wrapped(said.next_drive, "  ")
    ]  # fmt: skip
    return "\n".join(lines)


def _wrapped(text: str, first: str, rest: str | None = None) -> list[str]:
    indent = first if rest is None else rest
    return textwrap.wrap(text, WIDTH, initial_indent=first, subsequent_indent=indent) or [first]


def _systems(said: Finding) -> Iterator[str]:
    titles = {cause.name: cause.short for cause in said.causes}
    for one in said.verdict.systems:
        parts = [titles[name] for name in one.causes] or ([one.strain] if one.strain else [])
        parts += [f"not explained: {alarm.replace('_', ' ')}" for alarm in one.alarms]
        yield from _wrapped(f"{MARKS[one.word]} {one.system:<18} {one.word:<9} {'; '.join(parts)}", "  ", " " * 33)
    yield ""


def _causes(said: Finding) -> Iterator[str]:
    shown = [cause for cause in said.causes if cause.probability >= LEAST_PROBABLE or cause is said.causes[0]]
    if not shown:
        return
    wrong = any(cause.established for cause in shown)
    yield "What explains it, most dangerous first" if wrong else "What explains it, likeliest first"
    for cause in shown[:5]:
        yield from _cause(cause, cause is shown[0])
    yield ""


def _cause(cause: Cause, first: bool) -> Iterator[str]:
    yield from _wrapped(f"{100.0 * cause.probability:3.0f} %  {cause.title} ({cause.family})", "  ", "         ")
    if cause.name == "everyday":
        return
    if first or cause.established or cause.tie_with:
        for estimate in cause.estimates:
            yield from _wrapped(f"{estimate}", "         ")
        yield f"         weight of evidence {cause.weight:.0f} decibans"
        for reason in cause.reasons_for:
            yield from _wrapped(f"+ {reason}", "         ", "           ")
        for reason in cause.reasons_against:
            yield from _wrapped(f"- {reason}", "         ", "           ")
        if cause.tie_with:
            yield "         the data cannot tell it from: " + ", ".join(
                name.replace("_", " ") for name in cause.tie_with
            )
        if cause.settles:
            yield from _wrapped(f"to settle it: {cause.settles}", "         ", "           ")


def _authority(said: Finding) -> Iterator[str]:
    uses = [use for use in said.authority if use.seconds > 0.0]
    if not uses:
        return
    yield "Used authority                  lowest highest  limits         most   pinned"
    for use in uses:
        limits = f"{use.low:g} .. {use.high:g} {use.unit}"
        yield (
            f"  {use.label:<29.29}{use.least:7.1f} {use.most:7.1f}  {limits:<14.14}{100.0 * use.most_used:4.0f} % "
            f"{use.pinned:6.1f} s"
        )
    yield ""


def _coverage(said: Finding) -> Iterator[str]:
    if not isnan(said.need.value):
        yield from _wrapped(f"{str(said.need).capitalize()}", "")
    yield f"Settled driving by load ({said.settled:.0f} s in all)"
    for group in said.coverage.groups:
        needs = [f"{100.0 * (need - 1.0):+5.1f} %" for need in group.need if not isnan(need)]
        enough = "enough" if group.enough else "not enough"
        yield f"  {group.name:<12} {group.seconds:6.0f} s  {enough:<10}  need {', '.join(needs) or 'unknown'}"
    yield ""


def _pulls(said: Finding) -> Iterator[str]:
    if not said.pulls:
        return
    yield f"Pulls ({said.pull_count})"
    for pull in said.pulls[-MOST_PULLS:]:
        yield from _wrapped(_pull(pull), "  ", "      ")
    yield ""


def _pull(pull: Pull) -> str:
    peaks = {name: value for name, value, _, _ in pull.peaks}
    text = f"{pull.number}. at {pull.start / 1e9:.1f} s for {(pull.stop - pull.start) / 1e9:.1f} s, "
    text += f"{pull.from_speed:.0f} to {pull.to_speed:.0f} rpm"
    for name, words, unit, digits in (
        ("boost_pressure", "boost", "kPa", 0),
        ("mass_air_flow", "air", "g/s", 0),
        ("lambda_ratio", "leanest against command", "", 3),
        ("knock_retard", "knock", "deg", 1),
    ):
        if name in peaks:
            text += f", {words} {peaks[name]:.{digits}f} {unit}".rstrip()
    response = pull.response
    if response is not None and response.reached:
        text += f", overshoot {response.overshoot:.0f} kPa ({100.0 * response.overshoot_share:.0f} %)"
        text += f", settled in {response.settling_time:.1f} s"
    elif response is not None:
        text += ", commanded boost not reached"
    return text + (", fuel cut" if pull.fuel_cut else "")
