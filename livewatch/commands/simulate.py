"""`livewatch simulate`: make a recording of an invented car, or play one onto a bus."""

from __future__ import annotations

import json
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import click
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn
from rich.table import Column, Table

from livewatch import Mismatch, Profile, SourceError, UsageError, check_writable, load_profile, write_recording
from livewatch.commands.options import profile_option, read_duration
from livewatch.commands.page import Page
from livewatch.simulator import CARS, KINDS, ROUTES, Drive, Scenario, parse_mismatch
from livewatch.simulator import simulate as simulate_drive
from livewatch.simulator.bus_frames import BEGINS, Wire, broadcast
from livewatch.simulator.bus_player import Played, play
from livewatch.simulator.engine_answers import EngineAnswers
from livewatch.simulator.recording_writer import as_recorded, check_output, frames_of
from livewatch.simulator.responder import DriveValues, Responder

__all__ = ["simulate"]


def _read_mismatches(ctx: click.Context, param: click.Parameter, texts: tuple[str, ...]) -> tuple[Mismatch, ...]:
    return tuple(map(parse_mismatch, texts))


def _read_fuel(ctx: click.Context, param: click.Parameter, text: str) -> float:
    try:
        return float(text.strip().upper().removeprefix("E").removesuffix("%"))
    except ValueError:
        raise UsageError(
            f"--fuel {text!r}: expected E and the ethanol in % by volume, for example E10 or E85"
        ) from None


@click.command()
@click.argument("output", required=False, type=click.Path(path_type=Path, dir_okay=False))
@click.option("--list", "show_list", is_flag=True, help="Show the cars, the routes and what can be wrong, then end.")
@click.option("--car", default="brackwell_20t", show_default=True, help="The invented car.")
@click.option("--route", default="mixed", show_default=True, help="Where it is driven, or `dyno`.")
@click.option(
    "-m",
    "--mismatch",
    "mismatches",
    metavar="NAME=SIZE[@ONSET]",
    multiple=True,
    callback=_read_mismatches,
    help="What is wrong with it, from ONSET seconds on; may be given several times.",
)
@click.option("--duration", callback=read_duration, help="How long to drive, for example 90s or 10min.")
@click.option("--altitude", "altitude_m", default=150.0, show_default=True, help="Metres above the sea.")
@click.option(
    "--weather", "weather_kpa", default=0.0, show_default=True, help="kPa the weather moves the barometer by."
)
@click.option("--ambient", "ambient_degC", default=20.0, show_default=True, help="Air outside, degC.")
@click.option("--humidity", "humidity_percent", default=50.0, show_default=True, help="Relative humidity outside, %.")
@click.option("--fuel", "ethanol_percent", default="E10", show_default=True, callback=_read_fuel,
              help="E and the ethanol in it, % by volume: E0 to E100.")  # fmt: skip
@click.option("--cold", "cold_start", is_flag=True, help="Start a cold engine.")
@click.option("--ageing", default=1.0, show_default=True, help="Ordinary tolerances used up: 0 none, 1 as usual.")
@click.option("--no-purge", is_flag=True, help="Leave the tank's vapour out.")
@click.option("--seed", default=1, show_default=True, help="Fixes everything random. The same seed, the same bytes.")
@profile_option(required=False)
@click.option("--other-traffic", default=10.0, show_default=True, help="Share of the bus taken by other messages, %.")
@click.option("--error-frames", default=0.0, show_default=True, help="Error frames a minute on each bus.")
@click.option("--interface", help="Play onto this python-can interface instead: virtual, udp_multicast, socketcan, ...")
@click.option(
    "--channel",
    "channels",
    metavar="[BUS=]CHANNEL",
    multiple=True,
    help="The interface's channel, for each bus of the profile when it has several.",
)
@click.option("--bitrate", type=int, help="bit/s, for interfaces that want it.")
@click.option(
    "--truth",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Also write what is really so with this car, as JSON.",
)
def simulate(
    output: Path | None,
    show_list: bool,
    duration: int | None,
    no_purge: bool,
    profile_name: str | None,
    other_traffic: float,
    error_frames: float,
    interface: str | None,
    channels: tuple[str, ...],
    bitrate: int | None,
    truth: Path | None,
    **scenario_options: Any,
) -> None:
    """Drive an invented car, and record it or play it onto a bus.

    OUTPUT is the recording to write; its suffix chooses the format (.log and .log.gz candump, .asc, .blf, .trc, .csv,
    .db, .mf4). With --interface the drive is played in real time instead, and diagnostic requests are answered:

    \b
        livewatch simulate drive.log -m air_meter_bore=70
        livewatch simulate --interface udp_multicast --channel 239.74.163.2
    """
    console = Page(stderr=True)
    if show_list:
        _show_list(Page())
        return
    if (output is None) == (interface is None):
        raise UsageError("say where the drive goes: OUTPUT, a recording to write, or --interface, a bus to play onto")
    seconds = None if duration is None else duration / 1e9
    scenario = Scenario(duration=seconds, purge=not no_purge, **scenario_options).resolved()
    usual = _usual_profile(scenario_options["car"], scenario_options["route"])
    profile = load_profile(profile_name or usual)
    if not 0.0 <= other_traffic <= 95.0:
        raise UsageError(f"--other-traffic {other_traffic:g} %: expected 0 to 95 %")
    if not error_frames >= 0.0:
        raise UsageError(f"--error-frames {error_frames:g}: expected 0 a minute or more")
    wire = Wire(other_traffic=other_traffic / 100.0, errors_each_minute=error_frames)
    if output is not None:
        check_output(output, error_frames > 0.0)
    if truth is not None:
        check_writable(truth)
    drive = _drive(scenario, console)
    if truth is not None:
        truth.write_text(json.dumps(drive.facts, indent=2) + "\n", encoding="utf-8")
    if output is not None:
        count = write_recording(as_recorded(frames_of(drive, profile, wire), profile), output)
        console.print(f"{output}: {count:,} frames, {len(drive.time) / 100:.0f} s. {_said(drive)}")
    else:
        assert interface is not None
        _play(drive, profile, wire, interface, channels, bitrate, console)


def _usual_profile(car: str, route: str) -> str:
    return "dyno_cell" if car == "brackwell_20t" and route == "dyno" else car


def _drive(scenario: Scenario, console: Page) -> Drive:
    with Progress(
        TextColumn("driving"),
        BarColumn(),
        TextColumn("{task.completed:.0f} s"),
        TimeElapsedColumn(),
        console=console,
        transient=True,
    ) as progress:
        task = progress.add_task("", total=scenario.duration)
        return simulate_drive(scenario, lambda seconds: progress.update(task, completed=seconds))


def _said(drive: Drive) -> str:
    codes = drive.facts["fault_codes"]
    return f"Fault codes set: {', '.join(codes)}." if codes else "No fault code was set."


def _play(
    drive: Drive,
    profile: Profile,
    wire: Wire,
    interface: str,
    channels: tuple[str, ...],
    bitrate: int | None,
    console: Page,
) -> None:
    import can  # late: the simulator has loaded it, without what it does not need

    port = profile.diagnostics[0] if profile.diagnostics else None
    names = tuple(profile.buses) or ((port.bus,) if port else ("bus",))
    wanted = _channels(names, channels)
    with ExitStack() as stack:
        buses: dict[str, can.BusABC] = {}
        more: dict[str, Any] = {"bitrate": bitrate} if bitrate else {}
        for name in names:
            try:
                bus = can.Bus(interface=interface, channel=wanted[name], **more)
            except (can.CanError, OSError, ImportError, ValueError, NotImplementedError) as error:
                raise SourceError(f"cannot open {interface} channel {wanted[name]!r} for {name}: {error}") from None
            buses[name] = stack.enter_context(bus)
        parameters = port.parameters if port else ()
        responder = Responder(
            EngineAnswers(DriveValues(drive), parameters, profile.channels), port.extended if port else False
        )
        spots = ", ".join(f"{name} on {interface} {wanted[name]}" for name in names)
        console.print(f"Playing {len(drive.time) / 100:.0f} s in real time: {spots}. End with Ctrl-C.")
        frames = broadcast(drive, profile, wire) if profile.messages else iter(())
        with console.status("") as status:

            def tell(played: Played) -> None:
                status.update(
                    f"{played.seconds:.0f} s, {played.sent:,} frames sent, {played.answered:,} of them answers"
                )

            played = play(
                frames, buses, BEGINS, len(drive.time) / 100, (port.bus if port else names[0], responder), tell
            )
    lost = f", {played.lost:,} the bus did not take" if played.lost else ""
    console.print(f"{played.sent:,} frames sent{lost}. {_said(drive)}")


def _channels(names: tuple[str, ...], given: tuple[str, ...]) -> dict[str, str | None]:
    """Channel of each bus: `BUS=CHANNEL`, or in order."""
    result: dict[str, str | None] = dict.fromkeys(names)
    loose = [text for text in given if text.partition("=")[0] not in names]
    for text in given:
        bus, equals, channel = text.partition("=")
        if equals and bus in result:
            result[bus] = channel
    for name in names:
        if result[name] is None and loose:
            result[name] = loose.pop(0)
    if loose:
        raise UsageError(
            f"--channel {loose[0]!r}: the profile has the buses {', '.join(names)}, each with a channel already"
        )
    return result


def _show_list(console: Page) -> None:
    cars = Table("car", "what it is", title="Cars", title_justify="left")
    for car in CARS.values():
        cars.add_row(car.name, car.meaning)
    routes = Table("route", "how it is driven", "usual length", title="Routes", title_justify="left")
    for route in ROUTES.values():
        routes.add_row(route.name, route.meaning, f"{route.seconds:g} s")
    kinds = Table(
        Column("for example", no_wrap=True),
        "what is wrong",
        Column("size", no_wrap=True),
        title="What can be wrong",
        title_justify="left",
    )
    for kind in KINDS.values():
        kinds.add_row(f"{kind.name}={kind.usual:g}", kind.meaning, f"{kind.low:g} .. {kind.high:g} {kind.unit}")
    for table in (cars, routes, kinds):
        console.print(table)
    console.print("No mismatch, but noticed: --altitude, --weather, --ambient, --humidity, --fuel, --ageing, purge.")
