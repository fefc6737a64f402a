"""A starting profile for a DBC: everything that can be known, and everything else as a suggestion.

Messages of a DBC come in; the text of a profile goes out that passes `profile check` as it stands. Which signal is
which channel is never decided here: likely bindings, judged by name and unit, stand in it as comments.
"""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterator, Mapping, Sequence

from livewatch.data.channels import CATALOGUE
from livewatch.data.outside import printable
from livewatch.profile.document import plain_scalar
from livewatch.profile.model import Message, Signal
from livewatch.profile.units import UnitError, convert

__all__ = ["starting_profile", "suggestions"]

_PIECE = re.compile(r"[A-Z]+(?![a-z])|[A-Z]?[a-z]+|\d+")
MOST_SUGGESTIONS = 3


def suggestions(messages: Sequence[Message]) -> Iterator[tuple[str, list[tuple[Message, Signal]]]]:
    """For each channel of the catalogue the signals that may bring it, the likeliest first."""
    for channel, entry in CATALOGUE.items():
        rated = []
        for place, (message, signal) in enumerate((m, s) for m in messages for s in m.signals):
            rating = _rating(signal, entry.words) if entry.words and _fits(signal, entry.unit) else 0
            if rating:
                rated.append((-rating, place, message, signal))
        if rated:
            yield (
                channel,
                [(message, signal) for _, _, message, signal in sorted(rated, key=lambda r: r[:2])][:MOST_SUGGESTIONS],
            )


def _rating(signal: Signal, phrases: Sequence[str]) -> int:
    """How many letters of the best fitting phrase are in the name of a signal, whole words only."""
    words = {piece.lower() for piece in _PIECE.findall(signal.name)}
    return max((len(phrase) for phrase in phrases if words >= set(phrase.split())), default=0)


def _fits(signal: Signal, unit: str) -> bool:
    if signal.unit is None:
        return True
    try:
        convert(signal.unit, unit)
    except UnitError:
        return False
    return True


def starting_profile(
    messages: Sequence[Message], bus: str, dbc: str, name: str, left_out: Mapping[str, str] | None = None
) -> str:
    """The text of a profile for `messages`, which the file `dbc` (as the profile should name it) declares. `left_out`
    is what is wrong with each message that could not be used, by name."""
    lines = [
        "# A starting profile. livewatch bound nothing by itself: what is commented out below is a guess by name and",
        "# unit. Take the # away where it is right, add what is missing, then run `livewatch profile check` on it.",
        "#",
        "# Caution. The driver drives; a passenger or an operator reads the screen. Full-load pulls belong on a closed",
        "# course or a dyno. livewatch protects no engine: it only tells.",
        "",
        "profile: 1",
        f"name: {_quoted(name)}",
        "",
        "# engine:                       # what the physics needs to know",
        "#   displacement: 2.0 L",
        "#   cylinders: 4",
        "#   induction: turbocharged     # turbocharged, supercharged, naturally_aspirated",
        "#   air_metering: mass_air_flow # mass_air_flow, speed_density",
        "#   fuel: gasoline E10",
        "",
        "buses:",
        f"  {bus}: []                   # what recordings call this bus, such as can0",
        "",
        "decode:",
        f"  - dbc: {_quoted(dbc)}",
        f"    bus: {bus}",
        *_only(messages),
        *(f"    # left out: {printable(problem)}" for problem in (left_out or {}).values()),
        "",
        "channels: {}                    # take the {} away with the first channel below",
    ]
    repeated = _repeated(messages)
    for channel, found in suggestions(messages):
        entry = CATALOGUE[channel]
        lines.append(f"  # {entry.meaning}, {entry.unit}")
        for message, signal in found:
            reference = f"{message.name}.{signal.name}" if signal.name in repeated else signal.name
            unit = f", unit: {_quoted(entry.unit)}" if signal.unit is None and entry.unit != "1" else ""
            where = f"{message.name}, in {signal.unit}" if signal.unit else f"{message.name}, without a unit"
            lines.append(f"  # {channel}: {{signal: {reference}{unit}}}   # {where}")
    lines += [
        "",
        "# alarms:",
        "#   lean_under_load:",
        "#     while: manifold_pressure - barometric_pressure > 20 kPa",
        "#     condition: lambda_1 / commanded_lambda > 1.06",
        "#     deadband: 0.02",
        "#     on_delay: 0.3 s",
        "#     off_delay: 1 s",
        "#     priority: critical",
        "#     latching: true",
        "#     action: Lift off the pedal now. Do not repeat the pull.",
        "",
    ]
    return "\n".join(lines)


def _only(messages: Sequence[Message]) -> list[str]:
    """The names of all messages, to be cut down to those that are wanted."""
    names = ", ".join(_quoted(message.name) for message in messages)
    lines = textwrap.wrap(f"only: [{names}]", 110, break_long_words=False, break_on_hyphens=False)
    return [f"    # {line}" for line in lines]


def _repeated(messages: Sequence[Message]) -> set[str]:
    seen: set[str] = set()
    repeated: set[str] = set()
    for message in messages:
        for signal in message.signals:
            (repeated if signal.name in seen else seen).add(signal.name)
    return repeated


def _quoted(text: str) -> str:
    plain = plain_scalar(text) == text and re.fullmatch(r"[A-Za-z0-9_./+][A-Za-z0-9_./+ -]*", text)
    return text if plain else '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'
