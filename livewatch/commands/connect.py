"""`livewatch connect`: from a plugged adapter to a running watch, by questions that anybody can answer.

Listening comes first and sends nothing; asking comes last, after the caution. What was found and answered becomes a
commented profile, which is checked and used at once.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import click

from livewatch import UsageError, check_writable, load_profile
from livewatch.commands.asking import BUS, FUNCTIONAL, POLL_CAUTION, ask_around
from livewatch.commands.options import out_option
from livewatch.commands.page import say
from livewatch.commands.watch import watch
from livewatch.run.first_contact import (
    EngineFacts,
    Heard,
    Unit,
    find_bit_rate,
    listen,
    profile_from_port,
    takes_bit_rate,
)
from livewatch.run.live import LiveBus, list_buses, parse_live_buses
from livewatch.wording.profile import report_lines

__all__ = ["connect"]

LISTEN = 3.0
"""Seconds."""
MOST_SHOWN = 12
UNKNOWN = "?"


@click.command()
@click.option("--bus", "bus_text", metavar="INTERFACE:CHANNEL@RATE", help="The adapter, when you know it already.")
@click.option(
    "--write",
    "path",
    type=click.Path(path_type=Path, dir_okay=False),
    default=Path("my_car.yaml"),
    show_default=True,
    help="Where the profile goes.",
)
@click.option("--no-watch", is_flag=True, help="End once the profile is written.")
@click.option("--for", "duration", metavar="TIME", help="Watch for so long: 10 min.")
@click.option("--lines", is_flag=True, help="Watch with lines instead of the dashboard.")
@out_option
def connect(
    bus_text: str | None, path: Path, no_watch: bool, duration: str | None, lines: bool, out: Path
) -> int | None:
    """Meet a car: find the adapter, the bit rate, who answers; write a profile; watch.

    The car stands, the ignition is on, the engine off or idling. Nothing is sent before you agreed to it.
    """
    check_writable(path)
    if path.exists():
        click.confirm(f"{path} exists already. Write over it?", abort=True)
    bus = _adapter(bus_text)
    bus, heard = _listening(bus)
    _say_broadcasts(heard)
    extended, units = _asking(bus)
    if not units and not heard.broadcasts:
        raise UsageError(
            "the car neither broadcasts here nor answers: check that the ignition is on, that the plug sits, and that "
            "this is the right adapter; then run livewatch connect again"
        )
    supported = frozenset(pid for unit in units for pid in unit.supported or ())
    engine = _engine(supported)
    request = FUNCTIONAL[extended] if units else None
    name = click.prompt("What shall the car be called", default="My car")
    path.write_text(
        profile_from_port(name, BUS, request, supported, engine, [str(one) for one in heard.broadcasts]),
        encoding="utf-8",
    )
    profile = load_profile(path)
    say(f"\n{path} is written.")
    for line in report_lines(str(path), profile):
        say(line)
    if not engine.complete:
        say("Not all of the engine is known: nothing can be said of its air, and no verdict be given, before it is.")
    command = ["-p", str(path), "--bus", f"{BUS}={_text(bus)}", *(["--poll"] if units else [])]
    say(f"\nTo watch it again: livewatch watch {' '.join(command)}")
    if no_watch or not click.confirm("Watch now? The driver drives, a passenger reads.", default=True):
        return None
    lasting = [] if duration is None else ["--for", duration]
    arguments = [*command, *(["--yes"] if units else []), *lasting, *(["--lines"] if lines else []), "--out", str(out)]
    result = watch.main(arguments, "livewatch watch", standalone_mode=False)
    return result if isinstance(result, int) else None


def _text(bus: LiveBus) -> str:
    """What opens the bus, name aside."""
    rate = "" if bus.bitrate is None else f"@{bus.bitrate}"
    options = "".join(f",{key}={value}" for key, value in bus.options.items())
    return f"{bus.interface}:{bus.channel}{rate}{options}"


def _adapter(text: str | None) -> LiveBus:
    if text is None:
        say("Looking for adapters...")
        found = [one for one in list_buses() if not one.software]
        for number, one in enumerate(found, 1):
            hint = (
                "  (a serial port, USB or Bluetooth: most adapters behind one are slcan)"
                if one.interface == "serial"
                else ""
            )
            say(f"  {number}  {one.text}{hint}")
        if not found:
            say("No adapter shows itself. Those behind a plain serial port or a network have to be named.")
        asked = "Which one? Its number" if found else "Its name"
        answer = click.prompt(f"{asked}, for example slcan:/dev/ttyACM0", default="1" if len(found) == 1 else None)
        chosen = found[int(answer) - 1] if answer.isdigit() and 0 < int(answer) <= len(found) else None
        text = str(answer) if chosen is None else chosen.text
        if chosen is not None and chosen.interface == "serial":
            text = f"slcan:{chosen.channel}"
    (bus,) = parse_live_buses([text])
    return replace(bus, name=BUS)


def _listening(bus: LiveBus) -> tuple[LiveBus, Heard]:
    """The bus with its bit rate, and what was heard on it."""
    if bus.bitrate is None and takes_bit_rate(bus):
        say("Finding the bit rate by listening; nothing is sent.")
        quiet = True
        for tried, heard in find_bit_rate(bus):
            data = tried.options.get("data_bitrate")
            rate = f"{(tried.bitrate or 0) / 1000:g} kbit/s" + (f", CAN FD {data / 1e6:g} Mbit/s" if data else "")
            if heard is None:
                say(f"  {rate}: the adapter does not take it")
                continue
            said = "understood" if heard.right else "nothing" if not heard.errors else "errors"
            say(f"  {rate}: {said}, {heard.frames} frames")
            quiet = quiet and not heard.errors
            if heard.right:
                bus = tried
                break
        else:
            if not quiet:
                raise UsageError("no usual bit rate fits this bus: name it with --bus INTERFACE:CHANNEL@RATE")
            say("Nothing is sent on this bus by itself. Most diagnostic ports run at 500 kbit/s.")
            rate = click.prompt("Bit rate in kbit/s", default="500")
            bus = replace(bus, bitrate=round(float(rate) * 1000))
    say(f"Listening for {LISTEN:g} s...")
    return bus, listen(bus, LISTEN)


def _say_broadcasts(heard: Heard) -> None:
    if not heard.broadcasts:
        say("Nothing is broadcast here: the car has to be asked.")
        return
    say(f"{len(heard.broadcasts)} identifiers are broadcast, {heard.frames / heard.seconds:.0f} frames a second:")
    for one in heard.broadcasts[:MOST_SHOWN]:
        say(f"  {one}")
    if len(heard.broadcasts) > MOST_SHOWN:
        say(f"  ... and {len(heard.broadcasts) - MOST_SHOWN} more; all of them go into the profile, as comments")


def _asking(bus: LiveBus) -> tuple[bool, list[Unit]]:
    """Who answers, and whether with 29 bits; nobody when the person would rather not ask."""
    say(f"\n{POLL_CAUTION}")
    if not click.confirm("Ask the car what it answers?", default=True):
        return False, []
    return ask_around(bus)


def _engine(supported: frozenset[int]) -> EngineFacts:
    say("\nSome questions about the engine. Answer ? where you do not know.")
    size = _number("Displacement in litres, for example 2.0", 0.05, 30.0)
    cylinders = _number("Cylinders", 1, 16)
    meter = "meter" if supported & {0x10, 0x66} else UNKNOWN
    metering = _choice(
        "How does the computer know its air? `meter` (an air flow meter in the intake), or `pressure`",
        {"meter": "mass_air_flow", "pressure": "speed_density"},
        meter,
    )
    boost = "turbo" if 0x70 in supported else UNKNOWN
    induction = _choice(
        "Is it charged? `turbo`, `supercharger`, or `no`",
        {"turbo": "turbocharged", "supercharger": "supercharged", "no": "naturally_aspirated"},
        boost,
    )
    fuel = _choice(
        "Fuel? `E5`, `E10`, `E85`, or `E0`",
        {one: f"gasoline {one}" for one in ("E0", "E5", "E10", "E85")},
        "E10",
    )
    return EngineFacts(size, None if cylinders is None else round(cylinders), induction, metering, fuel)


def _number(question: str, low: float, high: float) -> float | None:
    while True:
        answer = str(click.prompt(question, default=UNKNOWN)).strip().replace(",", ".")
        if answer == UNKNOWN:
            return None
        try:
            value = float(answer)
        except ValueError:
            value = float("nan")
        if low <= value <= high:
            return value
        say(f"  expected a number from {low:g} to {high:g}, or ?")


def _choice(question: str, choices: dict[str, str], default: str) -> str | None:
    answer = click.prompt(
        question, type=click.Choice([*choices, UNKNOWN], case_sensitive=False), default=default, show_choices=False
    )
    return choices.get(str(answer))
