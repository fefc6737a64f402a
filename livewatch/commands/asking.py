"""Before anything is sent to a car: the caution, the person's agreement, and who answers."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace

import click

from livewatch import LivewatchError, Profile, SourceError, UsageError, load_profile_text
from livewatch.commands.page import say
from livewatch.run.first_contact import EngineFacts, Unit, channels_of, profile_from_port, who_answers
from livewatch.run.live import LiveBus, parse_live_buses
from livewatch.wording.profile import report_lines

__all__ = ["BUS", "FUNCTIONAL", "POLL_CAUTION", "agree_to_poll", "ask_around", "standard_profile_of"]

POLL_CAUTION = """\
Polling transmits on the car's diagnostic port: only requests that read (SAE J1979 services 01, 02, 03, 07, 09, 0A;
ISO 14229 service 22, and of service 19 what reports fault codes). Nothing is cleared, written, actuated or reset. Even
so: begin with the engine idling and the car standing, stop at once if a warning lamp lights or the car behaves oddly,
and leave it off where the maker or the law forbids it.
"""
BUS = "car"
"""What the bus of a car without a profile is called."""
FUNCTIONAL = {False: 0x7DF, True: 0x18DB33F1}
"""What all control units are asked with (ISO 15765-4), by whether identifiers have 29 bits."""


def agree_to_poll(yes: bool) -> None:
    """Say the caution; ask, unless that was agreed to.

    Raises:
        Abort: the person would rather not.
    """
    say(POLL_CAUTION, error=True)
    if not yes:
        click.confirm("Transmit these requests?", abort=True, err=True)


def ask_around(bus: LiveBus) -> tuple[bool, list[Unit]]:
    """Ask with 11 bits, then with 29; whether it was 29, and who answered. To be called after the caution."""
    for extended in (False, True):
        bits = 29 if extended else 11
        refused: list[str] = []
        try:
            units = who_answers(bus, extended, refused.append)
        except LivewatchError as error:
            say(f"  {bits} bit: {error}", error=True)
            continue
        if not units:
            say(f"  {bits} bit: {refused[0] if refused else 'nobody answers'}", error=True)
            continue
        for unit in units:
            how = ", by service 22 (SAE J1979-2)" if unit.modern else ""
            count = len(unit.supported or ())
            say(f"  {bits} bit: control unit {unit.name} answers, {count} standard parameters{how}", error=True)
            if channels := channels_of(unit):
                say(f"    among them {', '.join(one.replace('_', ' ') for one in channels)}", error=True)
        return extended, units
    return False, []


def standard_profile_of(bus_options: Sequence[str], poll: bool, yes: bool) -> Profile:
    """A profile of the standard parameters that a car has, found by asking it; says what cannot be judged by it.

    Raises:
        UsageError: more than one bus is given, or asking was not asked for.
        SourceError: nobody answers.
    """
    if not bus_options or not poll or len(bus_options) > 1:
        raise UsageError(
            "no profile given: expected --profile with a YAML file or the name of one that comes with livewatch; or "
            "--poll and one --bus, and livewatch reads the standard parameters that the car has; or begin with "
            "livewatch connect, which writes a profile"
        )
    agree_to_poll(yes)
    (bus,) = parse_live_buses(bus_options)
    named = bus.name if bus.name != bus.channel and re.fullmatch(r"[A-Za-z0-9_-]+", bus.name) else BUS
    extended, units = ask_around(replace(bus, name=named))
    if not units:
        raise SourceError(f"nobody answers on {bus}: check that the ignition is on and the bit rate right")
    supported = frozenset(pid for unit in units for pid in unit.supported or ())
    text = profile_from_port("Standard parameters", named, FUNCTIONAL[extended], supported, EngineFacts(), ())
    profile = load_profile_text(text, "standard parameters", None)
    for line in report_lines("the standard parameters", profile):
        say(line, error=True)
    say(
        "Of the engine nothing is known: its air cannot be worked out, and no verdict is given. livewatch connect asks "
        "for it and writes a profile.",
        error=True,
    )
    return profile
