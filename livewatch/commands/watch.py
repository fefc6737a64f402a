"""`livewatch watch`: a car or a dyno cell, live."""

from __future__ import annotations

import shutil
import sys
import time
from pathlib import Path

import click

from livewatch import Profile, Recorder, Run, SessionFolder, SourceError, UsageError, nearest, profile_for
from livewatch.commands.line_display import LineDisplay
from livewatch.commands.options import bus_option, lines_option, out_option, profile_option, read_duration
from livewatch.commands.page import Page, say
from livewatch.run.history import History
from livewatch.run.live import LiveBus, LiveRun, found_buses_text, list_buses, parse_live_buses

__all__ = ["watch"]

POLL_CAUTION = """\
Polling transmits on the car's diagnostic port: only requests that read (SAE J1979 services 01, 02, 03, 07, 09, 0A and
ISO 14229 service 22). Nothing is cleared, written, actuated or reset. Even so: begin with the engine idling and the car
standing, stop at once if a warning lamp lights or the car behaves oddly, and leave it off where the maker or the law
forbids it.
"""


def _buses(options: tuple[str, ...], profile: Profile) -> list[LiveBus]:
    """The live buses asked for, named as the profile names them.

    Raises:
        UsageError: none is given, or one has no bus of the profile.
    """
    if not options:
        raise UsageError(
            "no bus given: expected --bus with an adapter, for example --bus engine=socketcan:can0@500k; "
            "livewatch watch --list-buses shows the adapters found"
        )
    names = list(profile.buses)
    named = [f"{names[0]}={text}" if len(names) == 1 and "=" not in text.split(":")[0] else text for text in options]
    buses = list(parse_live_buses(named))
    for bus in buses:
        if bus.name not in profile.buses:
            raise UsageError(
                f"--bus {bus.text!r}: the profile has no bus {bus.name!r}, it has {', '.join(names) or 'none'}"
                f"{nearest(bus.name, names)}"
            )
    return buses


@click.command()
@profile_option(required=False)
@bus_option(
    "A bus of the profile and the adapter it is on, for example engine=socketcan:can0@500k. Repeatable.",
    "BUS=INTERFACE:CHANNEL@RATE",
)
@click.option("--list-buses", is_flag=True, help="Show the adapters found on this machine, and end.")
@click.option("--poll", is_flag=True, help="Transmit the profile's polls (read-only requests). Off unless given.")
@click.option("--yes", is_flag=True, help="Do not ask before polling.")
@click.option(
    "--for", "duration", metavar="TIME", callback=read_duration, help="End by itself after this long: 10 min."
)
@lines_option
@click.option(
    "--browser", is_flag=True, help="Show the dashboard in a browser, on this machine unless --host says more."
)
@click.option("--host", default="127.0.0.1", show_default=True, help="Address the browser view listens on.")
@click.option("--port", type=click.IntRange(1, 65535), default=8000, show_default=True, help="Its port.")
@click.option("--token", help="What a browser must bring; one is made up where others can reach the address.")
@out_option
def watch(
    profile_name: str | None,
    bus_options: tuple[str, ...],
    list_buses: bool,
    poll: bool,
    yes: bool,
    duration: int | None,
    lines: bool,
    browser: bool,
    host: str,
    port: int,
    token: str | None,
    out: Path,
) -> None:
    """Watch a car or a dyno cell live. The driver drives; a passenger or an operator reads.

    \b
      livewatch watch --list-buses
      livewatch watch -p brackwell_20t --bus engine=socketcan:can0@500k
      livewatch watch -p dyno_cell --bus engine=slcan:/dev/ttyACM0@500k --bus cell=virtual:cell
    """
    if list_buses:
        _show_buses()
        return
    profile = profile_for(None, profile_name)
    buses = _buses(bus_options, profile)
    if poll:
        _agree_to_poll(profile, yes)
    if browser:
        from livewatch.dashboard.browser.server import serve_in_browser

        shown = _shown(profile_name, bus_options, poll, duration, out)
        serve_in_browser([sys.executable, "-m", "livewatch.commands.behind_page", *shown], host, port, token)
        return
    folder = SessionFolder.create(out, profile, [bus.text for bus in buses])
    run = Run(profile, Recorder(folder), history=History(profile))
    live = LiveRun(run, buses, transmit=poll)
    try:
        if lines or not sys.stdout.isatty():
            _watch_lines(live, duration)
        else:
            from livewatch.dashboard import show_live

            show_live(live, None if duration is None else duration / 1e9)
    except SourceError:
        if not run.pipeline.rows:
            # Nothing was watched: leave no empty folder behind.
            run.close()
            shutil.rmtree(folder.path, ignore_errors=True)
        raise
    say(f"The session folder is {folder.path}")


def _shown(
    profile_name: str | None, bus_options: tuple[str, ...], poll: bool, duration: int | None, out: Path
) -> list[str]:
    """The command line whose dashboard the browser shows; polling was agreed to already."""
    buses = [word for option in bus_options for word in ("--bus", option)]
    polling = ["--poll", "--yes"] if poll else []
    lasting = [] if duration is None else ["--for", f"{duration / 1e6:.0f} ms"]
    return ["watch", "-p", str(profile_name), *buses, *polling, *lasting, "--out", str(out)]


def _show_buses() -> None:
    say(found_buses_text(list_buses()))


def _agree_to_poll(profile: Profile, yes: bool) -> None:
    if not any(port.poll for port in profile.diagnostics):
        raise UsageError("--poll: the profile has no polls; expected `poll:` entries in it")
    say(POLL_CAUTION, error=True)
    if not yes:
        click.confirm("Transmit these requests?", abort=True, err=True)


def _watch_lines(live: LiveRun, duration: int | None) -> None:
    end = None if duration is None else time.monotonic() + duration / 1e9
    with LineDisplay(live.run, Page()) as display:
        live.start()
        try:
            while live.running and (end is None or time.monotonic() < end):
                time.sleep(0.05)
                display.redraw()
        except KeyboardInterrupt:
            pass
        finally:
            live.stop()
    if live.failure is not None:
        raise live.failure
