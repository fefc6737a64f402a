"""Options that several subcommands share, and how their texts are read."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

import livewatch

if TYPE_CHECKING:
    from livewatch import Stretch

__all__ = [
    "browser_options",
    "bus_option",
    "lines_option",
    "out_option",
    "profile_option",
    "read_duration",
    "stretch_of",
    "stretch_options",
]

Command = TypeVar("Command", bound=Callable[..., Any])

_UNITS = {"ms": 1_000_000, "s": 1_000_000_000, "min": 60_000_000_000, "h": 3_600_000_000_000, "": 1_000_000_000}


def read_duration(ctx: click.Context, param: click.Parameter, value: str | None) -> int | None:
    """A length of time, in nanoseconds, from `90`, `90s`, `1.5 min`, `1:30` or `1:02:03`; an option's callback."""
    if value is None:
        return None
    text = value.strip()
    clock = re.fullmatch(r"(?:(\d+):)?(\d+):(\d+(?:\.\d+)?)", text)
    if clock:
        hours, minutes, seconds = clock.groups(default="0")
        return round((int(hours) * 3600 + int(minutes) * 60 + float(seconds)) * 1e9)
    plain = re.fullmatch(r"(\d+(?:\.\d+)?)\s*(ms|s|min|h|)", text)
    if not plain:
        raise click.BadParameter(
            f"{value!r} is no length of time; expected for example 90 s, 1.5 min or 1:30", ctx, param
        )
    return round(float(plain[1]) * _UNITS[plain[2]])


def out_option(command: Command) -> Command:
    """`--out`: where session folders go."""
    return click.option(
        "--out",
        type=click.Path(path_type=Path, file_okay=False),
        default=Path("sessions"),
        show_default=True,
        help="The folder in which the session folder is made.",
    )(command)


def profile_option(required: bool) -> Callable[[Command], Command]:
    """`-p/--profile`."""
    return click.option(
        "-p",
        "--profile",
        "profile_name",
        metavar="PROFILE",
        required=required,
        help="The vehicle's profile: a YAML file, or the name of one that comes with livewatch.",
    )


def bus_option(text: str, metavar: str = "BUS=CHANNEL") -> Callable[[Command], Command]:
    """`--bus`, repeatable."""
    return click.option("--bus", "bus_options", metavar=metavar, multiple=True, help=text)


def browser_options(command: Command) -> Command:
    """`--browser`, `--host`, `--port`, `--token`."""
    for option in (
        click.option("--token", help="What a browser must bring; one is made up where others can reach the address."),
        click.option("--port", type=click.IntRange(1, 65535), default=8000, show_default=True, help="Its port."),
        click.option("--host", default="127.0.0.1", show_default=True, help="Address the browser view listens on."),
        click.option("--browser", is_flag=True, help="Show it in a browser, on this machine unless --host says more."),
    ):
        command = option(command)
    return command


def lines_option(command: Command) -> Command:
    """`--lines`."""
    return click.option("--lines", is_flag=True, help="Print lines instead of opening the dashboard.")(command)


def stretch_options(command: Command) -> Command:
    """`--from` and `--to`."""
    command = click.option(
        "--to", "stop", metavar="TIME", callback=read_duration, help="End here, counted from the first row: 5 min."
    )(command)
    return click.option(
        "--from",
        "start",
        metavar="TIME",
        default="0",
        callback=read_duration,
        help="Begin here, counted from the first row: 1:30.",
    )(command)


def stretch_of(start: int, stop: int | None) -> Stretch:
    """The stretch of time asked for.

    Raises:
        UsageError: it ends before it begins.
    """
    if stop is not None and stop <= start:
        raise livewatch.UsageError(f"--to {stop / 1e9:g} s lies before --from {start / 1e9:g} s; expected a later time")
    return livewatch.Stretch(start, stop)
