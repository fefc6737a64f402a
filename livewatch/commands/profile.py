"""`livewatch profile`: check, show or start a profile, the description of one vehicle."""

from __future__ import annotations

import os
from pathlib import Path

import click
from rich.table import Table

from livewatch import (
    Mistake,
    MistakesError,
    Profile,
    UsageError,
    bus_name,
    load_dbc,
    load_profile,
    starting_profile,
)
from livewatch.commands.page import Page, say
from livewatch.wording.profile import (
    alarm_lines,
    duration_text,
    engine_line,
    identifier_text,
    origin_text,
    range_text,
    report_lines,
)

__all__ = ["profile"]

EPILOG = """\b
A first profile, from a DBC you have:
  livewatch profile from-dbc mycar.dbc --bus engine --out mycar.yaml
  (open mycar.yaml, say which signal is which channel)
  livewatch profile check mycar.yaml

\b
Without a DBC, through the diagnostic port: copy profiles/linden_16.yaml.
"""


@click.group(epilog=EPILOG)
def profile() -> None:
    """Check, show or start a profile, the description of one vehicle.

    A profile is a YAML file: how the frames of the car are decoded, which signal is which channel, what the engine is,
    how far its corrections may go, and which alarms there are. The ones that come with livewatch are complete and
    commented, and may be named without a path: brackwell_20t, harrow_14t, linden_16, rowan_12, tarn_30t, dyno_cell.
    """


@profile.command(epilog="\b\nExit codes: 0 all are right; 3 mistakes were found; 2 there is no such file.")
@click.argument("files", metavar="FILE...", nargs=-1, required=True)
def check(files: tuple[str, ...]) -> None:
    """Check profiles, and the DBC files and profiles they name.

    Every mistake is reported at once, with file, line, column and the nearest right name. What is right is counted;
    what is worth a second look is noted.
    """
    console = Page(soft_wrap=True)
    mistakes: list[Mistake] = []
    for given in files:
        try:
            found = load_profile(given)
        except MistakesError as error:
            mistakes += error.mistakes
        else:
            for line in report_lines(given, found):
                console.print(line)
    if mistakes:
        raise MistakesError(mistakes)


@profile.command()
@click.argument("file", metavar="FILE")
@click.option("--yaml", "as_yaml", is_flag=True, help="Print it as one resolved YAML that needs no other file.")
def show(file: str, as_yaml: bool) -> None:
    """Show a profile as livewatch understands it.

    Every name resolved, every default spelt out, livewatch's own alarms among the others.
    """
    found = load_profile(file)
    if as_yaml:
        say(found.text, end="")
    else:
        _print(found, Page())


@profile.command("from-dbc")
@click.argument("dbc", type=click.Path(path_type=Path))
@click.option("--bus", default="engine", show_default=True, help="What to call the bus the DBC is about.")
@click.option("--out", type=click.Path(path_type=Path), help="The file to write; printed when left out.")
def from_dbc(dbc: Path, bus: str, out: Path | None) -> None:
    """Start a profile for a DBC.

    Which signal is which channel is yours to say: the file holds likely ones as comments, by name and unit, and binds
    none by itself.
    """
    try:
        bus_name(bus)
    except ValueError as error:
        raise UsageError(f"--bus: {error}") from None
    found = load_dbc(dbc, bus)
    messages = found.messages
    named = dbc.name if out is None else Path(os.path.relpath(dbc, out.parent)).as_posix()
    text = starting_profile(messages, bus, named, dbc.stem, found.left_out)
    if out is None:
        say(text, end="")
        return
    try:
        with out.open("x", encoding="utf-8") as file:
            file.write(text)
    except FileExistsError:
        raise UsageError(f"{out} exists already: choose another name, nothing was written") from None
    except OSError as error:
        raise UsageError(f"{out} cannot be written: {error.strerror or error}") from None
    say(f"{out} is written: {len(messages)} messages. Open it and say which signal is which channel.")
    for said in (*(f"left out: {problem}" for problem in found.left_out.values()), *found.remarks):
        say(said)


def _print(found: Profile, console: Page) -> None:
    console.print(found.name, style="bold")
    if engine := found.engine:
        console.print(engine_line(engine))
    console.print(f"one tick each {duration_text(found.period)}, {duration_text(found.lead_up)} kept before an alarm")
    console.print(_buses(found), _channels(found), _polled(found), _alarms(found), _authority(found), sep="\n\n")


def _table(title: str, *columns: str) -> Table:
    table = Table(title=title, title_justify="left", box=None, pad_edge=False, header_style="bold")
    for column in columns:
        table.add_column(column, overflow="fold")
    return table


def _buses(found: Profile) -> Table:
    table = _table("Buses", "bus", "in recordings", "messages")
    for bus, names in found.buses.items():
        messages = [m for m in found.messages if m.bus == bus]
        shown = ", ".join(f"{m.name} {identifier_text(m.identifier, m.extended)}" for m in messages)
        table.add_row(bus, ", ".join(names) or "any", shown)
    return table


def _channels(found: Profile) -> Table:
    table = _table("Channels", "channel", "unit", "comes from", "valid", "stale after")
    for channel in found.channels:
        low, high = channel.valid
        valid = f"{low:g} .. {high:g}" if low > float("-inf") else ""
        stale = "" if channel.formula else duration_text(channel.stale_after)
        table.add_row(channel.name, channel.unit, origin_text(channel), valid, stale)
    return table


def _polled(found: Profile) -> Table:
    table = _table("Polled, once transmitting is asked for", "service", "parameter", "every", "priority")
    for port in found.diagnostics:
        names = {(parameter.service, parameter.identifier): parameter.name for parameter in port.parameters}
        for request in port.poll:
            key = (request.service, request.identifier)
            table.add_row(f"{key[0]:02X} {key[1]:02X}", names[key], duration_text(request.every), request.priority)
    return table


def _alarms(found: Profile) -> Table:
    table = _table("Alarms", "alarm", "what it does")
    for alarm in found.alarms:
        marks = [mark for mark, on in (("latching", alarm.latching), ("livewatch's own", alarm.signature)) if on]
        lines = alarm_lines(alarm)
        table.add_row("\n".join([alarm.name, alarm.priority, *marks]), "\n".join(lines) + "\n")
    return table


def _authority(found: Profile) -> Table:
    table = _table("Authority", "correction", "limits", "everyday")
    for limit in found.authority.values():
        table.add_row(limit.name, *(range_text(ends, limit.unit) for ends in ((limit.low, limit.high), limit.everyday)))
    return table
