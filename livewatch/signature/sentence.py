"""A verdict in one sentence or two, put into words once, for every edge that shows it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence

from livewatch.signature.cause import Cause
from livewatch.signature.causes.registry import HYPOTHESES
from livewatch.signature.code_evidence import Standing
from livewatch.signature.verdict import SystemVerdict, Verdict

__all__ = ["sentence_of", "shorter_sentences"]

_STANDINGS: Mapping[Standing, str] = {
    "agrees": "The car's own fault codes agree",
    "contradicts": "Fault codes of the car contradict what was measured",
    "not borne out": "Fault codes of the car that this drive does not bear out",
    "open": "Fault codes of the car that this drive neither bears out nor denies",
}


def shorter_sentences(verdict: Verdict) -> tuple[str, ...]:
    """The same without figures, then with the short names of the causes too."""
    return tuple(sentence_of(verdict, names) for names in (_titled, _short))


def _sized(cause: Cause) -> str:
    return cause.title if not cause.size else f"{cause.title} ({cause.size})"


def _titled(cause: Cause) -> str:
    return cause.title


def _short(cause: Cause) -> str:
    return cause.short


def sentence_of(verdict: Verdict, named: Callable[[Cause], str] = _sized) -> str:
    """Why the verdict is what it is: what was found wrong, most dangerous first, each as `named`; what is not
    explained; what was right and what was not seen."""
    if verdict.doubted is not None:
        first = f"{verdict.doubted.channel} does not make sense in its unit; put the profile right first."
        return " ".join([first, *_alarmed(verdict.systems)])
    parts = [*_left_out(verdict, named), *_wrong(verdict, named), *_alarmed(verdict.systems), *_open(verdict)]
    parts += [] if named is _short else _codes(verdict)
    return " ".join(part for part in parts if part)


def _left_out(verdict: Verdict, named: Callable[[Cause], str]) -> Iterator[str]:
    for one in verdict.left_out:
        name = one.channel.replace("_", " ")
        yield f"{name} cannot be true." if named is not _sized else f"Judged without {name}: {one.problem}."


def _wrong(verdict: Verdict, named: Callable[[Cause], str]) -> Iterator[str]:
    large = [cause for cause in verdict.established if cause.large]
    small = [cause for cause in verdict.established if not cause.large]
    misfit = "Does not fit" if named is _short else "The calibration does not fit the parts"
    if large:
        yield f"{misfit}: {_listed(large, named)}."
    if small:
        yield f"Something does not fit, but takes little yet: {_listed(small, named)}."
    strains = dict.fromkeys(one.strain for one in verdict.systems if one.strain and not one.causes)
    for strain in strains:
        reason = f"; {_most_likely(verdict) or 'no part stands out as the reason'}"
        yield f"{strain[0].upper()}{strain[1:]}{'' if verdict.established else reason}."
    if verdict.established and verdict.likely and named is not _short:
        yield f"Beside it, likely but not established: {_listed(verdict.likely, named)}."


def _most_likely(verdict: Verdict) -> str:
    """What no cause is established for, in words; nothing where no cause is likely."""
    return f"most likely {_and([cause.title for cause in verdict.likely])}" if verdict.likely else ""


def _listed(causes: Sequence[Cause], named: Callable[[Cause], str]) -> str:
    return "; and ".join(_said(cause, named, causes) for cause in causes)


def _said(cause: Cause, named: Callable[[Cause], str], listed: Sequence[Cause]) -> str:
    text = named(cause)
    if cause.ties and {one.name for one in listed}.issuperset(cause.tie_with):
        text += ", perhaps by that alone"
    elif cause.ties and named is _short:
        text += f"; or {' or '.join(HYPOTHESES[name].short for name in cause.tie_with)}"
    elif cause.ties:
        text += f"; the data cannot tell this from: {' or '.join(cause.ties)}"
    return text


def _alarmed(systems: Sequence[SystemVerdict]) -> Iterator[str]:
    alarms = dict.fromkeys(alarm.replace("_", " ") for one in systems for alarm in one.alarms)
    if alarms:
        yield f"Critical and not explained by what was found: {', '.join(alarms)}."
    carried = dict.fromkeys(alarm.replace("_", " ") for one in systems for alarm in one.at_opening)
    if carried:
        yield f"Critical and explained by that: {', '.join(carried)}, only as the throttle opened."


def _codes(verdict: Verdict) -> Iterator[str]:
    for standing, said in _STANDINGS.items():
        codes = [one for one in verdict.codes if one.standing == standing and one.speaks_for]
        named = dict.fromkeys(f"{one.code}{f' (set at {one.load})' if one.load else ''}" for one in codes)
        if named:
            yield f"{said}: {', '.join(named)}."


def _open(verdict: Verdict) -> Iterator[str]:
    if verdict.word == "misfit":
        return
    unseen = [one for one in verdict.systems if one.word in ("unproven", "not seen")]
    right = [what for one in verdict.systems if one.word in ("fits", "unproven") for what in one.right]
    if not unseen:
        if verdict.left_out and verdict.word == "unproven" and not verdict.likely:
            yield "Without it, everyday adaptation explains everything that was seen."
        elif verdict.word == "fits":
            yield "Everyday adaptation explains everything that was seen, and every system was seen."
        elif verdict.word == "unproven" and verdict.likely:
            yield f"Within everyday adaptation, but {_most_likely(verdict)}."
        return
    if verdict.word == "unproven":
        if not right:
            most_likely = f", but {_most_likely(verdict)}" if verdict.likely else ""
            yield f"Too little settled driving to judge by{most_likely}."
        elif verdict.likely:
            yield f"Within everyday adaptation as far as driven ({_and(right)}), but {_most_likely(verdict)}."
        else:
            yield f"Right as far as driven: {_and(right)}."
    names = [one.system + (" (in part)" if one.word == "unproven" else "") for one in unseen]
    yield f"Not seen yet: {_and(names)}."


def _and(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
