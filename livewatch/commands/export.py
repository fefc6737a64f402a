"""`livewatch export`: channels of a recording, whole or cut out, with its alarms, to CSV, Parquet or MF4."""

from __future__ import annotations

from pathlib import Path

import click
from rich.progress import Progress

from livewatch import (
    UsageError,
    Window,
    alarms_beside,
    check_export,
    check_writable,
    cut_out,
    files_read,
    open_source,
    parse_bus_options,
    profile_for,
    window_around,
    write_cut_out,
)
from livewatch.commands.options import bus_option, profile_option, read_duration, stretch_of, stretch_options
from livewatch.commands.page import Page, say
from livewatch.wording.events import clock_text

__all__ = ["export"]


@click.command()
@click.argument("path", type=click.Path(path_type=Path))
@click.argument("file", type=click.Path(path_type=Path))
@profile_option(required=False)
@bus_option("Which channel of the recording is which bus of the profile, for example engine=can0. Repeatable.")
@click.option("--channel", "channels", multiple=True, metavar="NAME", help="Only this channel. Repeatable.")
@click.option("--every", metavar="TIME", callback=read_duration, help="Between rows: 100ms.")
@stretch_options
@click.option("--around", metavar="ALARM", help="Cut out what surrounds an alarm.")
@click.option("--which", type=click.IntRange(1), default=1, show_default=True, help="Which time it was raised.")
@click.option(
    "--before", metavar="TIME", default="30s", show_default=True, callback=read_duration, help="With --around."
)
@click.option(
    "--after", metavar="TIME", default="30s", show_default=True, callback=read_duration, help="With --around."
)
@click.option("--private", is_flag=True, help="Also channels that tell who or where: identification, positions.")
def export(
    path: Path,
    file: Path,
    profile_name: str | None,
    bus_options: tuple[str, ...],
    channels: tuple[str, ...],
    every: int | None,
    start: int,
    stop: int | None,
    around: str | None,
    which: int,
    before: int,
    after: int,
    private: bool,
) -> None:
    """Write the channels of PATH (a recording, a table or a session folder) to FILE.csv, FILE.parquet or FILE.mf4.

    A row for each moment, with the unit in each column's name; the alarms that stood are columns of 0 and 1, and are
    listed in FILE_alarms.csv. Identification numbers and positions stay out unless they are asked for.

    \b
      livewatch export sessions/NAME drive.parquet --every 100ms
      livewatch export drive.log pull.csv -p brackwell_20t --from 2:00 --to 2:20
      livewatch export drive.log alarm.mf4 -p brackwell_20t --around lean_under_load
    """
    check_export(file)
    for written in (file, alarms_beside(file)):
        check_writable(written, files_read(path))
    stretch = stretch_of(start, stop)
    if around is not None and (start or stop is not None):
        raise UsageError("--around says which stretch: leave out --from and --to")
    profile = profile_for(path, profile_name)
    buses = parse_bus_options(bus_options, profile)
    window = Window(stretch.start, stretch.stop)
    if around is not None:
        source = open_source(path, profile, buses)
        window, _ = window_around(source, profile, around, which, before / 1e9, after / 1e9)
    source = open_source(path, profile, buses)
    said = Page(stderr=True)
    with Progress(console=said, transient=True, disable=not said.is_terminal) as bar:
        task = bar.add_task("", total=1.0)
        cut = cut_out(
            source,
            profile,
            window,
            channels,
            None if every is None else every / 1e9,
            private,
            lambda share: bar.update(task, completed=share),
        )
    write_cut_out(cut, file)
    first, last = (clock_text(float(moment)) for moment in (cut.table.time[0], cut.table.time[-1]))
    stood = f"alarms stood {len(cut.spells)} times" if len(cut.spells) > 1 else "one alarm stood"
    held = f"{len(cut.table.time)} rows, channels: {len(cut.table)}"
    say(f"{file}: {held}, {first} to {last}, {stood if cut.spells else 'no alarm stood'}")
    if cut.private:
        say(f"Left out because they tell who or where: {', '.join(cut.private)} (--private)", error=True)
